// How good the alarms themselves are, beside the published targets.

import { child, mark, say } from "./parts.js";
import { alarmName, amount, capital, lasting, many } from "./words.js";

const LEVEL = { "acceptable": "good", "manageable": "maintenance", "beyond target": "out" };

export function report(box) {
  const days = box.querySelector("select");
  const body = box.querySelector("tbody");
  const told = box.querySelector("[data-f=told]");

  async function load() {
    const from = Date.now() / 1000 - 86400 * Number(days.value);
    try {
      const answer = await fetch(`/api/v1/alarms/performance?from=${from}`);
      if (!answer.ok) throw new Error(`answer ${answer.status}`);
      fill(await answer.json());
    } catch (error) {
      say(told, `The journal cannot be read: ${error.message}`);
    }
  }

  function fill(made) {
    const little = made.enough ? "" : " The targets are made for 30 days and more: take these figures as a first look.";
    say(told, `${many(made.total, "alarm")} in ${lasting(86400 * made.days)}.${little}`);
    body.replaceChildren(...made.figures.map(row));
  }

  box.addEventListener("toggle", () => box.open && load());
  days.addEventListener("change", load);
}

function row(figure) {
  const node = document.createElement("tr");
  const name = child(node, "th", capital(figure.name));
  name.scope = "row";
  if (figure.alarms.length) {
    const which = child(name, "details");
    child(which, "summary", `Which ${figure.alarms.length === 1 ? "alarm" : "alarms"}`);
    const list = child(which, "ul");
    for (const id of figure.alarms) child(list, "li", capital(alarmName(id)));
  }
  const percent = figure.unit === "%" ? " %" : ""; // the other units are in the names
  label(node, "Value", `${few(figure.value)}${percent}`);
  label(node, "Target", `${figure.target}${percent}`);
  const cell = label(node, "Judgement", "");
  cell.dataset.f = "state";
  mark(cell, capital(figure.judgement), LEVEL[figure.judgement] || "none");
  return node;
}

const few = (value) => (value > 0 && value < 0.005 ? "less than 0.01" : amount(Number(value.toFixed(2))));

function label(row, name, text) {
  const cell = child(row, "td", text);
  cell.dataset.label = name;
  return cell;
}
