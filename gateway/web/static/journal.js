// The journal: searched, newest first, older entries on demand.

import { child, say, show } from "./parts.js";
import { offer } from "./subjects.js";
import { alarmName, capital, many, moment, plain, seconds, startOfDay } from "./words.js";

const EVENTS = {
  "alarm": "Alarm began",
  "return to normal": "Alarm over",
  "acknowledge": "Acknowledged",
  "reset": "Reset",
  "shelve": "Shelved",
  "unshelve": "Back from the shelf",
  "suppress": "Suppressed",
  "release": "No longer suppressed",
  "remove from service": "Out of service",
  "return to service": "Back in service",
  "raised": "Found",
  "cleared": "No longer found",
  "added": "Person added",
  "role": "Other role",
  "password": "Other password",
  "restored": "Person of a backup",
  "removed": "Person removed",
};
const WHOLE = ["remove from service", "return to service"];
const PAGE = 200;

export function journal(box) {
  const form = box.querySelector("form");
  const body = box.querySelector("tbody");
  const older = box.querySelector("[data-f=older]");
  const told = box.querySelector("[data-f=told]");
  let before = null;
  let last = null; // the latest row, which may take in others of the same deed
  let count = 0;
  let asked = 0;

  async function search(more) {
    asked += 1;
    const mine = asked; // what was asked before may be answered after
    const query = new URLSearchParams({ limit: PAGE });
    for (const name of ["text", "kind", "subject", "actor"]) {
      const value = form.elements[name].value.trim();
      if (value) query.set(name, value);
    }
    if (form.elements.from.value) query.set("from", startOfDay(form.elements.from.value, 0));
    if (form.elements.to.value) query.set("to", startOfDay(form.elements.to.value, 1));
    if (more) query.set("before", before);
    try {
      const answer = await fetch(`/api/v1/journal?${query}`);
      const found = await answer.json();
      if (mine !== asked) return;
      if (!answer.ok) throw new Error(found.faults.map((f) => `${f.value}; allowed: ${f.allowed}`).join(" "));
      if (!more) {
        body.replaceChildren();
        [last, count] = [null, 0];
      }
      found.entries.forEach(add);
      before = found.before;
      count += found.entries.length;
      const words = count ? many(count, "entry", "entries") : "Nothing found";
      say(told, before ? `${words} so far, newest first` : `${words}, newest first`);
    } catch (error) {
      say(told, `The journal cannot be read: ${error.message}`);
    }
    show(older, before !== null);
  }

  // Whoever takes a loop out of service touches every alarm of it: one row for all of them.
  function add(entry) {
    const key = WHOLE.includes(entry.event) ? [entry.time, entry.event, entry.actor, entry.reason].join("|") : "";
    if (key && last?.key === key) {
      last.subjects.add(entry.subject);
      last.n += 1;
      last.what.textContent = many(last.n, "alarm");
      last.at.textContent = [...last.subjects].join(", ");
      return;
    }
    const row = child(body, "tr");
    const head = child(row, "th");
    head.scope = "row";
    child(head, "time", moment(seconds(entry.time), Date.now() / 1000)).dateTime = entry.time;
    const cell = child(row, "td");
    child(cell, "b", happened(entry));
    const what = child(cell, "span", entry.message || plain(entry.fault));
    const at = label(row, "At", entry.subject);
    label(row, "By", entry.actor === "gateway" ? "" : entry.actor);
    label(row, "Why", why(entry));
    last = { key, n: 1, what, at, subjects: new Set([entry.subject]) };
  }

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    search(false);
  });
  older.addEventListener("click", () => search(true));
  box.addEventListener("toggle", () => {
    if (!box.open) return;
    offer(form.elements.subject);
    search(false);
  });

  // Something happened: look again, unless somebody is reading further down or looks for something.
  return { changed: () => box.open && count <= PAGE && !box.contains(document.activeElement) && search(false) };
}

function label(row, name, text) {
  const cell = child(row, "td", text);
  cell.dataset.label = name;
  if (!text) cell.dataset.empty = "";
  return cell;
}

function happened(entry) {
  const word = EVENTS[entry.event] || capital(entry.event || entry.kind);
  return entry.until ? `${word} until ${moment(seconds(entry.until), Date.now() / 1000)}: ` : `${word}: `;
}

function why(entry) {
  if (!entry.cause) return entry.reason;
  return `${entry.reason || "explained by"}${entry.reason ? ": " : " "}${alarmName(entry.cause)}`;
}
