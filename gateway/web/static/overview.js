// The overview: every loop, worst first, and one sentence that says whether a person is needed.

import { linkTable, sinkTable } from "./equipment.js";
import { follow } from "./feed.js";
import { findings } from "./findings.js";
import { inputRow, loopSheet } from "./loop.js";
import { level, say, show } from "./parts.js";
import { LEVELS, fullDate, rank, seconds, timeOfDay, worst } from "./words.js";

const RELOAD_KEY = "reloaded-for";
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
const site = document.title;
let needed = 0;
let latest = null;
let lately = "no values yet";

follow("/api/v1/stream", { state: shown, feed: judged });

function shown(state, word) {
  page("beat").toggleAttribute("data-on");
  if (state.revision !== document.body.dataset.revision) return renew(state.revision);
  show_links(state.links, state.time === null ? Date.now() / 1000 : seconds(state.time));
  show_sinks(state.sinks);
  if (state.time === null) return undefined;
  const time = seconds(state.time);
  latest = time;
  const levels = new Map(state.loops.map((view) => [view.id, sheets.get(view.id)?.update(view, time)]));
  for (const view of state.transducers) spare.get(view.id)?.(view, null);
  elsewhere(state.findings, time);
  show(page("elsewhere"), state.findings.length > 0);
  arrange(levels);
  if (word === "live") verdict(state);
  say(page("feed-time"), timeOfDay(time));
  return undefined;
}

// The site file or the program changed: this page is of yesterday. Once, lest it goes round.
function renew(revision) {
  if (sessionStorage.getItem(RELOAD_KEY) === revision) return;
  sessionStorage.setItem(RELOAD_KEY, revision);
  location.reload();
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
  const loops = [...sheets.values()].map((sheet) => sheet.node);
  const troubled = loops.filter((node) => node.dataset.level !== "good")
    .sort((a, b) => rank(a.dataset.level) - rank(b.dataset.level));
  const other = state.findings.length;
  needed = troubled.length + other;
  level(page("verdict"), worst([...troubled.map((node) => node.dataset.level), ...state.findings.map((f) => LEVELS[f.status])]));
  lately = sentence(state, troubled, other);
  say(page("verdict-text"), lately);
  entitle();
}

function sentence(state, troubled, other) {
  const all = state.loops.length;
  const outside = other ? `${other} ${other === 1 ? "finding" : "findings"} outside the loops` : "";
  if (!troubled.length) {
    return outside || `${all} ${all === 1 ? "loop" : "loops"}, nothing found wrong`;
  }
  const first = troubled.map((node) => name(node));
  const views = state.loops.filter((view) => troubled.some((node) => node.dataset.loop === view.id));
  const one = views.length === 1 && views[0].findings.length === 1 ? `${first[0]}: ${views[0].findings[0].title}` : "";
  const many = `${troubled.length} of ${all} loops ${troubled.length === 1 ? "needs" : "need"} attention: ${first.slice(0, 3).join(", ")}${first.length > 3 ? " and others" : ""}`;
  return [one || many, outside].filter(Boolean).join("; ");
}

const name = (node) => node.querySelector("h2").textContent;

function entitle() {
  const word = document.body.dataset.feed;
  const before = word === "live" ? (needed ? `(${needed}) ` : "") : word === "waiting" ? "" : "Not live: ";
  document.title = before + site;
}

function judged(word, state) {
  document.body.dataset.feed = word;
  say(page("feed-word"), { live: "Live", lost: "Not live", stale: "Not live", paused: "Paused", waiting: "Waiting" }[word]);
  const at = state && state.time ? timeOfDay(seconds(state.time)) : "";
  const old = at ? ` What you see is from ${at}.` : "";
  const text = {
    lost: `No connection to the gateway.${old} Trying again.`,
    stale: `The gateway has no new readings.${old}`,
  }[word] || "";
  say(page("warning"), text);
  show(page("warning"), Boolean(text));
  const asof = word === "live" || word === "waiting" || !at ? "" : `Not live: from ${at}`;
  for (const sheet of sheets.values()) {
    sheet.asof(asof);
    if (word !== "live") sheet.plot.outdated();
  }
  if (asof) {
    level(page("verdict"), "none");
    say(page("verdict-text"), `At ${at}: ${lately}`);
  }
  entitle();
}

function redraw() {
  for (const sheet of sheets.values()) sheet.plot.redraw();
}

window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
window.addEventListener("beforeprint", () => {
  document.documentElement.dataset.printing = "";
  say(page("paper"), latest ? `Values of ${fullDate(latest)}` : "No values yet");
  for (const node of document.querySelectorAll("details:not([data-deeper])")) node.open = true;
  redraw();
});
window.addEventListener("afterprint", () => {
  delete document.documentElement.dataset.printing;
  redraw();
});
