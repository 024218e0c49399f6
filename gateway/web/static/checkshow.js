// An open loop check drawn: what to do, how it stands, what was read.

import { child, say, show } from "./parts.js";
import { isPressure, label, measure, shown } from "./units.js";
import { capital, figure } from "./words.js";

const lacks = (value) => value === null || value === undefined;
const page = (id) => document.getElementById(id);
const digits = (value, n = 5) => (lacks(value) ? "–" : String(Number(value.toPrecision(Math.abs(value) < 1 ? n - 2 : n))));
const signed = (value) => (lacks(value) ? "" : `${Number(value.toFixed(2)) > 0 ? "+" : ""}${figure(value, 2)}`);

// A pressure in the unit of the site file, which the record keeps.
const pressure = (value, unit, places) => (lacks(value) ? "–" : `${figure(value, places)} ${label(unit)}`);

// The same in the unit that the viewer has chosen; "" where that is the same unit.
function other(value, unit, places) {
  const to = shown(unit);
  if (lacks(value) || to === unit || !isPressure(unit)) return "";
  const { factor } = measure(unit, 1);
  const decimals = Math.min(5, Math.max(0, places - Math.round(Math.log10(factor))));
  return `${figure(value * factor, decimals)} ${label(to)}`;
}

function both(value, unit, places) {
  const also = other(value, unit, places);
  return pressure(value, unit, places) + (also && ` (${also})`);
}

// What the reference shows, in the unit of the transducer that is checked.
export function inUnit(check, value, unit) {
  const mine = check.inputs.find((one) => one.id === check.transducer);
  return !mine || mine.unit === unit ? value : Number((value / measure(mine.unit, 1).factor).toPrecision(9));
}

export function draw(check) {
  say(page("check-name"), `${check.loop}: ${check.plan.scheme}`);
  say(page("check-count"), `${check.done} of ${check.steps} steps, ${check.name}`);
  say(page("asked"), check.paused ? `Paused: ${check.paused}` : check.asked);
  say(page("also"), check.paused ? "" : inOther(check));
  say(page("pause"), check.paused ? "Go on" : "Pause");
  const measuring = check.task === "measure" && !check.paused;
  show(page("apply"), measuring);
  show(page("decide"), check.task === "decide" && !check.paused);
  show(page("finish"), check.task === "conclude" && !check.paused);
  show(page("shown-row"), Boolean(check.transducer));
  units(check);
  page("apply").querySelector("[type=submit]").disabled = check.applied;
  page("take").disabled = !check.applied;
  // Also when all is read and something is to be decided: the last one may be what was wrong.
  show(page("again"), check.read.length > 0 && !check.paused);
  values(check);
  const why = measuring ? check.trouble || check.why || "Still: it is being taken" : "";
  const named = check.inputs.some((one) => why.startsWith(`${one.id} `)); // an id stays as it is
  say(page("why"), named ? why : capital(why));
  page("why").toggleAttribute("data-look", check.look || Boolean(check.trouble));
  lines(page("summaries"), check.summaries.filter((one) => one.transducer === check.transducer).map(summary));
  lines(page("wrong"), check.mistakes.map((one) => one.words));
  table(check);
}

// What is to be applied, in the viewer's unit.
function inOther(check) {
  const mine = check.inputs.filter((one) => one.id in check.apply);
  const told = mine.map((one) => [one.id, other(check.apply[one.id], one.unit, one.places)]).filter(([, text]) => text);
  return told.length ? `That is ${told.map(([id, text]) => (mine.length > 1 ? `${text} on ${id}` : text)).join(", ")}.` : "";
}

// Units in which the person may say what the reference shows: the site's, and the viewer's.
function units(check) {
  const mine = check.inputs.find((one) => one.id === check.transducer);
  show(page("in-row"), Boolean(mine));
  if (!mine) return;
  const box = page("apply").elements.in;
  const found = [...new Set([mine.unit, shown(mine.unit)])];
  if (box.dataset.said === found.join()) return;
  box.dataset.said = found.join();
  box.replaceChildren(...found.map((unit) => new Option(label(unit), unit)));
}

function values(check) {
  const mine = check.inputs.filter((one) => !check.step || one.id in check.apply);
  lines(page("now"), mine.map((one) => one.bad ? `${one.id}: ${one.bad}`
    : `${one.id} ${both(one.pressure, one.unit, one.places)}, ${digits(one.electrical, 4)} ${one.electrical_unit}, ${digits(one.counts)} counts`
      + (one.controller_value === null ? "" : `; controller ${both(one.controller_value, one.unit, one.places)}`)));
}

function summary(one) {
  const by = one.source === "input" ? "at the input" : "by the controller";
  const line = one.zero === null ? "" : `; zero ${signed(one.zero)} %, span ${signed(one.span)} %`;
  const enter = one.advice && `. To read right: ${one.advice}`;
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
  const first = check.read.find((one) => !one.transducer);
  for (const one of check.read) {
    if (one === first) heads(body);
    const row = child(body, "tr");
    child(row, "th", named(one)).scope = "row";
    if (one.skipped) {
      const cell = child(row, "td", `left out: ${one.skipped}`);
      cell.colSpan = 6;
      continue;
    }
    value(row, one, one.applied, one.transducer ? "Applied" : "Expected");
    pair(row, one, one.input, one.transducer ? "Input reads" : "We read");
    pair(row, one, one.controller, one.transducer ? "Controller shows" : "Feedback");
    const verdicts = [one.input, one.controller].map((side) => side?.verdict).filter(Boolean);
    const worst = ["fail", "not proved", "pass"].find((word) => verdicts.includes(word)) || "";
    const told = one.step.startsWith("combined/beyond/") ? "told only" : worst;
    child(row, "td", told + ends(one) + (one.forced ? `, taken although ${one.forced}` : ""), worst === "fail" ? "bad" : "");
  }
}

// At an end of its input an error beyond it does not show.
function ends(one) {
  const side = [one.input, one.controller].find((each) => each?.ends);
  if (!side) return "";
  const others = side.beyond === null ? "" : ` (by the line of the others ${signed(side.beyond)} %)`;
  return `; the input ends here${others}`;
}

// In the combined part the columns mean something else.
function heads(body) {
  const row = child(body, "tr", undefined, "heads");
  for (const text of ["Combined feedback", "Expected", "We read", "", "Feedback", "", ""]) {
    const head = child(row, text ? "th" : "td", text, "num");
    if (text) head.scope = "col";
  }
  row.firstChild.className = "";
}

function named(one) {
  if (one.transducer) {
    const bridged = one.step.endsWith("/zero");
    return `${one.transducer} ${one.part}, ${bridged ? "ports bridged" : `${digits(one.point, 3)} % ${one.direction === "up" ? "↑" : "↓"}`}`;
  }
  const [, what, beyond] = one.step.split("/");
  if (beyond) return `${beyond} beyond its range`;
  return what === "rest" ? "nothing applied" : what.replaceAll("+", " and ");
}

function pair(row, read, side, label) {
  value(row, read, side?.shown, label);
  number(row, side ? signed(side.error) : "", "Error, % of span");
}

function value(row, read, pressed, label) {
  const cell = number(row, pressure(pressed, read.unit, read.places), label);
  const also = other(pressed, read.unit, read.places);
  if (also) child(cell, "span", also, "other");
}

function number(row, text, label) {
  const cell = child(row, "td", text, "num");
  cell.dataset.label = label;
  return cell;
}
