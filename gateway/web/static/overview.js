// The overview: every loop, worst first, and one sentence that says whether a person is needed.

import { linkTable, sinkTable } from "./equipment.js";
import { findings } from "./findings.js";
import { inputRow, loopSheet } from "./loop.js";
import { needs, watch } from "./mast.js";
import { level, say, show } from "./parts.js";
import { LEVELS, rank, seconds, tallied, worst } from "./words.js";

const page = (id) => document.getElementById(id);
const box = page("loops");
const times = { span: Number(box.dataset.span), interval: Number(box.dataset.interval) };
const sheets = new Map([...box.querySelectorAll("[data-loop]")].map((node) => [node.dataset.loop, loopSheet(node, times)]));
const elsewhere = findings(page("elsewhere").querySelector("[data-f=findings]"));
const show_links = linkTable(page("links"));
const show_sinks = sinkTable(page("sinks"));
const spare = new Map([...document.querySelectorAll("#spare [data-input]")].map((node) => [
  node.dataset.input,
  inputRow(node, { low: Number(node.dataset.low), high: Number(node.dataset.high), limits: { low: null, high: null } }),
]));
let lately = "no values yet";

watch({ state: shown, judged, redraw });

function shown(state, word) {
  show_links(state.links, state.time === null ? Date.now() / 1000 : seconds(state.time));
  show_sinks(state.sinks);
  say(page("tally"), tallied(state.alarms));
  if (state.time === null) return;
  const time = seconds(state.time);
  const work = underWork(state.alarms.out_of_service);
  const levels = new Map(state.loops.map((view) => [view.id, sheets.get(view.id)?.update(view, time, work)]));
  for (const view of state.transducers) spare.get(view.id)?.(view, null, work(view.id, "transducer"));
  elsewhere(state.findings, time);
  show(page("elsewhere"), state.findings.length > 0);
  arrange(levels);
  if (word === "live") verdict(state);
}

// Who works on what: a loop out of service takes transducers along.
function underWork(out) {
  const found = new Map();
  for (const one of out) {
    found.set(`${one.kind} ${one.subject}`, one);
    for (const key of one.includes) found.set(`transducer ${key}`, one);
  }
  return (key, kind) => found.get(`${kind} ${key}`);
}

// Worst first, else in the order of the site file; moved only when the order changes.
function arrange(levels) {
  const order = [...sheets.keys()].sort((a, b) => rank(levels.get(a)) - rank(levels.get(b)));
  const focused = document.activeElement;
  let moved = false;
  order.forEach((key, k) => {
    const node = sheets.get(key).node;
    if (box.children[k] !== node) {
      box.insertBefore(node, box.children[k]);
      moved = true;
    }
    if (levels.get(key) !== "good" && !node.dataset.unfolded) node.querySelector(".more").open = true;
    node.dataset.unfolded = levels.get(key) === "good" ? "" : "yes";
  });
  if (moved && focused && focused !== document.activeElement) focused.focus({ preventScroll: true });
}

function verdict(state) {
  const nodes = [...sheets.values()].map((sheet) => sheet.node);
  const troubled = nodes.filter((node) => !["good", "check"].includes(node.dataset.level))
    .sort((a, b) => rank(a.dataset.level) - rank(b.dataset.level));
  const other = state.findings.length;
  needs(troubled.length + other);
  const all = nodes.map((node) => node.dataset.level);
  level(page("verdict"), worst([...all, ...state.findings.map((f) => LEVELS[f.status])]));
  lately = sentence(state, troubled, other, all.filter((one) => one === "check").length);
  say(page("verdict-text"), lately);
}

function sentence(state, troubled, other, checked) {
  const all = state.loops.length;
  const beside = [
    other ? `${other} ${other === 1 ? "finding" : "findings"} outside the loops` : "",
    checked ? `${checked} ${checked === 1 ? "loop" : "loops"} under function check` : "",
  ];
  const calm = all - checked;
  const fine = other || !(calm || !all) ? "" : `${calm} ${calm === 1 ? "loop" : "loops"}, nothing found wrong`;
  if (!troubled.length) return [fine, ...beside].filter(Boolean).join("; ");
  const first = troubled.map((node) => name(node));
  const views = state.loops.filter((view) => troubled.some((node) => node.dataset.loop === view.id));
  const one = views.length === 1 && views[0].findings.length === 1 ? `${first[0]}: ${views[0].findings[0].title}` : "";
  const many = `${troubled.length} of ${all} loops ${troubled.length === 1 ? "needs" : "need"} attention: ${first.slice(0, 3).join(", ")}${first.length > 3 ? " and others" : ""}`;
  return [one || many, ...beside].filter(Boolean).join("; ");
}

const name = (node) => node.querySelector("h2").textContent;

function judged(word, at) {
  const asof = word === "live" || word === "waiting" || !at ? "" : `Not live: from ${at}`;
  for (const sheet of sheets.values()) {
    sheet.asof(asof);
    if (word !== "live") sheet.plot.outdated();
  }
  if (asof) {
    level(page("verdict"), "none");
    say(page("verdict-text"), `At ${at}: ${lately}`);
  }
}

function redraw() {
  for (const sheet of sheets.values()) sheet.plot.redraw();
}

window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
