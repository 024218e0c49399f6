// An open loop check drawn: what to do, how it stands, what was read.

import { child, say, show } from "./parts.js";
import { capital } from "./words.js";

const page = (id) => document.getElementById(id);
const digits = (value, n = 5) => (value === null || value === undefined ? "–" : String(Number(value.toPrecision(Math.abs(value) < 1 ? n - 2 : n))));
const signed = (value) => (value === null || value === undefined ? "" : `${value > 0 ? "+" : ""}${value.toFixed(2)}`);

export function draw(check) {
  say(page("check-name"), `${check.loop}: ${check.plan.scheme}`);
  say(page("check-count"), `${check.done} of ${check.steps} steps, ${check.name}`);
  say(page("asked"), check.paused ? `Paused: ${check.paused}` : check.asked);
  say(page("pause"), check.paused ? "Go on" : "Pause");
  const measuring = check.task === "measure" && !check.paused;
  show(page("apply"), measuring);
  show(page("decide"), check.task === "decide" && !check.paused);
  show(page("finish"), check.task === "conclude" && !check.paused);
  show(page("shown-row"), Boolean(check.transducer));
  page("apply").querySelector("[type=submit]").disabled = check.applied;
  page("take").disabled = !check.applied;
  page("again").disabled = !check.read.length;
  values(check);
  const why = measuring ? check.trouble || check.why || "Still: it is being taken" : "";
  say(page("why"), capital(why));
  page("why").toggleAttribute("data-look", check.look || Boolean(check.trouble));
  lines(page("summaries"), check.summaries.filter((one) => one.transducer === check.transducer).map(summary));
  lines(page("wrong"), check.mistakes.map((one) => one.words));
  table(check);
}

function values(check) {
  const mine = check.inputs.filter((one) => !check.step || one.id in check.apply);
  lines(page("now"), mine.map((one) => one.bad ? `${one.id}: ${one.bad}`
    : `${one.id} ${digits(one.pressure)} ${one.unit}, ${digits(one.electrical, 4)} ${one.electrical_unit}, ${digits(one.counts)} counts`
      + (one.controller_value === null ? "" : `; controller ${digits(one.controller_value)} ${one.unit}`)));
}

function summary(one) {
  const by = one.source === "input" ? "at the input" : "by the controller";
  const line = one.zero === null ? "" : `; zero ${signed(one.zero)} %, span ${signed(one.span)} %`;
  const enter = one.adjust && one.range_low !== null
    ? `. To read right: adjust zero and span, or enter a range of ${digits(one.range_low)} to ${digits(one.range_high)} ${one.unit}` : "";
  return `${capital(one.part)}, ${by}: ${one.verdict}; worst error ${signed(one.worst)} % of span, tolerance ${one.tolerance} %${line}${enter}.`;
}

function lines(list, texts) {
  const said = texts.join("\n");
  if (list.dataset.said === said) return;
  list.dataset.said = said;
  list.replaceChildren();
  for (const text of texts) child(list, "li", text);
}

function table(check) {
  const box = page("read");
  show(box, check.read.length > 0);
  const said = JSON.stringify(check.read);
  if (box.dataset.said === said) return;
  box.dataset.said = said;
  const body = box.tBodies[0];
  body.replaceChildren();
  for (const one of check.read) {
    const row = child(body, "tr");
    const way = one.direction === "up" ? "↑" : "↓";
    const name = one.transducer ? `${one.transducer} ${one.part}, ${digits(one.point, 3)} % ${way}` : one.step.replace("combined/", "combined: ");
    child(row, "th", name).scope = "row";
    if (one.skipped) {
      const cell = child(row, "td", `left out: ${one.skipped}`);
      cell.colSpan = 6;
      continue;
    }
    number(row, digits(one.applied), "Applied");
    pair(row, one.input, "Input reads");
    pair(row, one.controller, "Controller shows");
    const verdicts = [one.input, one.controller].map((side) => side?.verdict).filter(Boolean);
    const worst = ["fail", "not proved", "pass"].find((word) => verdicts.includes(word)) || "";
    child(row, "td", worst + (one.forced ? `, taken although ${one.forced}` : ""), worst === "fail" ? "bad" : "");
  }
}

function pair(row, side, label) {
  number(row, side ? digits(side.shown) : "–", label);
  number(row, side ? signed(side.error) : "", "Error, % of span");
}

function number(row, text, label) {
  child(row, "td", text, "num").dataset.label = label;
}
