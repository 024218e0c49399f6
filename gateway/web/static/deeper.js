// What is rarely asked of a loop, fetched when it is unfolded: what cannot be seen on it, how
// uncertain its transducers are, and what was learnt of it.

import { child } from "./parts.js";
import { converted, measure } from "./units.js";
import { brief, capital, moment, plain, seconds } from "./words.js";

const FILL = { hidden: showHidden, learnt: showLearnt };

export function deeper(section) {
  for (const node of section.querySelectorAll("[data-deeper]")) {
    node.addEventListener("toggle", () => {
      if (node.open) fill(node.querySelector("div"), section.dataset.loop, FILL[node.dataset.deeper]);
    });
  }
}

async function fill(box, loop, show) {
  if (!box.childElementCount) child(box, "p", "Asking the gateway", "about");
  try {
    const answer = await fetch(`/api/v1/loops/${encodeURIComponent(loop)}`);
    if (!answer.ok) throw new Error(`${answer.status}`);
    const view = await answer.json();
    box.replaceChildren();
    show(box, view);
  } catch {
    box.replaceChildren();
    child(box, "p", "The gateway did not answer. Fold this and open it again.", "about");
  }
}

// Transducers that hide the same for the same reasons are told together.
function showHidden(box, view) {
  const grid = child(box, "div", undefined, "hides");
  for (const members of grouped(view.transducers, (one) => JSON.stringify(one.hidden))) {
    hides(grid, members.map((one) => one.id).join(", "), members[0].hidden);
  }
  hides(grid, "The loop", view.hidden);
}

function grouped(items, key) {
  const groups = new Map();
  for (const item of items) groups.set(key(item), [...(groups.get(key(item)) || []), item]);
  return groups.values();
}

export function hides(grid, name, hidden) {
  const box = child(grid, "section");
  child(box, "h3", name);
  const told = { never: "Never seen, or only under another name", partly: "Seen in part" };
  for (const [extent, words] of Object.entries(told)) {
    const some = hidden.filter((one) => one.extent === extent);
    if (!some.length) continue;
    child(box, "h4", words);
    const list = child(box, "dl");
    for (const same of grouped(some, (one) => one.why)) {
      const row = child(list, "div");
      child(row, "dt", capital(same.map((one) => plain(one.fault)).join(", ")));
      child(row, "dd", capital(same[0].why));
    }
  }
  if (!hidden.some((one) => one.extent !== "absent")) child(box, "p", "Nothing.", "about");
}

// The uncertainty of transducers, and the parts of it.
export function uncertainties(box, transducers) {
  const shown = new Map(transducers.map((t) => [t.id, measure(t.unit, t.range[1] - t.range[0])]));
  const size = (t, value) => shown.get(t.id).text(value, 1);
  const within = (t) => `±${size(t, t.uncertainty.expanded)} ${shown.get(t.id).label}`;
  table(box, "Uncertainty: U = 2 u, about 95 %, and the parts of u", [
    ["U", within],
    ["of span", (t) => `${brief(t.uncertainty.expanded_percent_span, 2)} %`],
    ["accuracy", (t) => size(t, t.uncertainty.accuracy)],
    ["temperature", (t) => size(t, t.uncertainty.thermal)],
    ["drift", (t) => size(t, t.uncertainty.stability)],
    ["a count", (t) => brief(shown.get(t.id).number(t.uncertainty.resolution), 2)],
    ["calibrated", (t) => t.uncertainty.calibrated || "no day given"],
  ], transducers);
}

function showLearnt(box, view) {
  uncertainties(box, view.transducers);
  const shown = new Map(view.transducers.map((t) => [t.id, measure(t.unit, t.range[1] - t.range[0])]));
  const size = (t, value) => shown.get(t.id).text(value, 1);
  const known = view.learnt.transducers.filter((t) => t.since !== null);
  if (!known.length) {
    child(box, "p", nothingYet(view), "about");
    return;
  }
  table(box, "Learnt while nothing was wrong", [
    ["beside the others", (t) => `${t.offset > 0 ? "+" : ""}${size(t, t.offset)} ${shown.get(t.id).label}`],
    ["minutes scatter", (t) => size(t, t.scatter)],
    ["days swing", (t) => size(t, t.swing)],
    ["noise", (t) => size(t, t.noise)],
    ["follows", (t) => brief(t.gain)],
    ["later by", (t) => (t.lag_s === null ? "–" : `${brief(t.lag_s, 2)} s`)],
    ["minutes alike", (t) => brief(t.correlation, 2)],
    ["fan off", (t) => size(t, t.at_rest)],
    ["hours on, off", (t) => `${brief(t.running_hours)}, ${brief(t.stopped_hours)}`],
  ], known);
  for (const words of sentences(view, known)) child(box, "p", words, "about");
  const again = child(box, "p", "After work on this loop let it be learnt anew: ", "about");
  child(again, "code", view.learnt.reset);
}

function nothingYet(view) {
  if (view.transducers.length < 2) return "With one transducer there is nothing to compare, so nothing is learnt.";
  return "Nothing learnt yet. Learning goes on while nothing is wrong, and is an hour behind.";
}

function sentences(view, known) {
  const { learnt } = view;
  const now = seconds(view.time);
  const first = moment(Math.min(...known.map((t) => seconds(t.since))), now);
  const last = moment(Math.max(...known.map((t) => seconds(t.until))), now);
  const use = known.every((t) => t.in_use) ? "in use" : `used from ${brief(learnt.enough_hours)} h of running on`;
  const out = [
    `Learnt from ${first} to ${last}, ${use}; full after ${brief(learnt.full_hours)} h of either. Follows: how much of the others' movement it shows. Minutes alike: correlation of one minute with the next.`,
  ];
  const ratio = learnt.pressure_per_output_squared;
  if (ratio !== null && view.output) {
    const [stands, unit] = converted(ratio * view.output ** 2, view.unit);
    out.push(`Pressure goes with the square of the output: ${brief(view.output)} ${view.output_unit} stands for ${brief(stands)} ${unit}, give or take ${brief(learnt.pressure_per_output_squared_percent, 2)} %.`);
  }
  return out;
}

function table(box, caption, columns, rows) {
  const made = child(box, "table", undefined, "ledger");
  child(made, "caption", caption);
  const head = child(child(made, "thead"), "tr");
  for (const name of ["Transducer", ...columns.map(([word]) => word)]) {
    const cell = child(head, "th", name, name === "Transducer" ? "" : "num");
    cell.scope = "col";
  }
  const body = child(made, "tbody");
  for (const one of rows) {
    const row = child(body, "tr");
    const name = child(row, "th");
    name.scope = "row";
    child(name, "b", one.id);
    for (const [word, text] of columns) child(row, "td", text(one), "num").dataset.label = word;
  }
}
