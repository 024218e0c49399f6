// The page of one transducer, for the technician.

import { calibrations } from "./calibrations.js";
import { hides, uncertainties } from "./deeper.js";
import { earlier } from "./earlier.js";
import { fared } from "./fared.js";
import { findings } from "./findings.js";
import { ladder } from "./ladder.js";
import { needs, watch } from "./mast.js";
import { meter } from "./meter.js";
import { DASHES, TONES } from "./looppanels.js";
import { level, mark, partsOf, say, show } from "./parts.js";
import { around, line, timeline } from "./timeline.js";
import { measure } from "./units.js";
import { LEVELS, capital, moment, seconds, worst } from "./words.js";

const MOST_PEERS = 8; // drawn beside it
const QUALITY = { good: "good", uncertain: "out", bad: "failure" };
const page = (id) => document.getElementById(id);
const sheet = document.querySelector("[data-transducer]");
const id = sheet.dataset.transducer;
const parts = partsOf(sheet);
const shown = { ...measure(sheet.dataset.unit, Number(sheet.dataset.span)), span: 0 };
shown.span = Number(sheet.dataset.span) * shown.factor;
const show_findings = findings(parts.findings);
const show_earlier = earlier(page("earlier"), id);
let draw_ladder = null;
let draw_meter = null;
let latest = null;

say(parts.unit, shown.label);
const faring = fared(page("fared"), id, shown);
const past = timeline(page("timeline"), overTime());
if (sheet.dataset.checks === "on") calibrations(page("checked"), id);
know();
watch(`/api/v1/stream/transducers/${encodeURIComponent(id)}`, { state: update, judged, redraw() { past.redraw(); faring.redraw(); } });

function update(state, word) {
  const view = state.transducer;
  if (!view) return;
  latest = view;
  const time = seconds(state.time);
  const work = state.alarms.out_of_service.find((one) => (one.kind === "transducer" && one.subject === id) || one.includes.includes(id));
  const name = work ? "check" : worst([LEVELS[view.status], QUALITY[view.quality]]);
  level(sheet, name);
  say(parts.word, work ? `Function check until ${moment(seconds(work.until), time)}` : view.findings.length ? capital(view.status) : view.quality === "good" ? "No findings" : `${capital(view.quality)} value`);
  say(parts.value, shown.text(view.value));
  show(parts.doubt, view.quality !== "good");
  say(parts.doubt, view.quality === "good" ? "" : `${capital(view.quality)}: ${view.reason}`);
  say(parts.theirs, shown.text(view.controller_value));
  apart(parts.agree, view.controller_value, view.value, "not reported", 0.01);
  if (parts.others) {
    say(parts.others, shown.text(view.others));
    const known = view.others !== null && view.value !== null && view.quality !== "bad";
    say(parts.apart, known ? `this is ${shown.text(Math.abs(view.value - view.others), 1)} ${view.value < view.others ? "lower" : "higher"}` : "");
  }
  show_findings(view.findings, time, { [id]: view.location });
  show_earlier(view.findings.map((one) => one.id));
  draw_ladder?.(view);
  draw_meter?.(view);
  past.add(time, valued(view), [state.alarms.edition, ...view.findings.map((one) => one.id)].join());
  if (word === "live") needs(view.findings.length);
}

// within: share of span.
function apart(node, theirs, ours, none, within) {
  if (theirs === null || ours === null) return mark(node, theirs === null ? none : "no value to compare", "good");
  const differs = Math.abs(theirs - ours) > within * Number(sheet.dataset.span);
  return mark(node, differs ? `differs by ${shown.text(Math.abs(theirs - ours))}` : "agrees", differs ? "out" : "good");
}

function valued(view) {
  return new Map([[`transducer/${id}`, [view.value, view.quality]], ...view.peers.map((one) => [`transducer/${one.id}`, [one.value, one.quality]])]);
}

// What does not change from row to row.
async function know() {
  try {
    const answer = await fetch(`/api/v1/transducers/${encodeURIComponent(id)}`);
    if (!answer.ok) throw new Error(`answer ${answer.status}`);
    const detail = await answer.json();
    draw_ladder = ladder(page("ladder"), detail.chain, shown);
    draw_meter = meter(page("meter").closest("section"), detail.chain, shown);
    const trusted = page("trusted");
    uncertainties(trusted.querySelector("[data-f=uncertainty]"), [detail]);
    hides(trusted.querySelector("[data-f=hidden]"), id, detail.hidden);
    if (latest) {
      draw_ladder(latest);
      draw_meter(latest);
    }
  } catch {
    setTimeout(know, 2000); // not before the first row
  }
}

function overTime() {
  const name = `transducer/${id}`;
  const ends = [Number(sheet.dataset.low), Number(sheet.dataset.high)].map(shown.number);
  const factors = JSON.parse(sheet.dataset.factors);
  const peers = JSON.parse(sheet.dataset.peers).slice(0, MOST_PEERS).map((one, k) => ({ id: one, name: `transducer/${one}`, factor: factors[k] * shown.factor }));
  return {
    names: [name, ...peers.map((one) => one.name)], quality: name, running: name, happened: `transducer=${encodeURIComponent(id)}`, interval: Number(sheet.dataset.interval),
    panels: [{
      key: "pressure", label: `Pressure, ${shown.label}`, decimals: shown.decimals, how: "close", doubt: null,
      lines: [
        line(name, { name: id, width: 1.8 }, { factor: shown.factor }),
        ...peers.map((one, k) => line(one.name, { name: one.id, width: 1.2, dash: DASHES[k % DASHES.length], tone: TONES[k % TONES.length], band: false }, { factor: one.factor, within: ends })),
      ],
      marks: () => ends.map((value, k) => ({ value, name: k ? "upper end of the range" : "lower end of the range" })),
      zones: () => [],
      height(low, high) {
        return this.how === "close" ? around(low, high, shown.span) : [Math.min(low ?? ends[0], ends[0]), Math.max(high ?? ends[1], ends[1])];
      },
    }],
  };
}

function judged(word, at) {
  const old = word === "live" || word === "waiting" || !at ? "" : `Not live: from ${at}`;
  show(parts.asof, Boolean(old));
  say(parts.asof, old);
  if (word !== "live") past.outdated();
}
