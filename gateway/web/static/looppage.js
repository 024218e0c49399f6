// The page of one loop.

import { deeper } from "./deeper.js";
import { loopSheet } from "./loop.js";
import { loopPanels } from "./looppanels.js";
import { needs, watch } from "./mast.js";
import { relearning } from "./relearn.js";
import { timeline } from "./timeline.js";
import { seconds } from "./words.js";

const node = document.querySelector("article[data-loop]");
const id = node.dataset.loop;
const sheet = loopSheet(node);
const { names, panels, quality, running, know } = loopPanels(node);
let known = 0;

deeper(document.querySelector("section.deeper"));
relearning(document.getElementById("relearn"));
const past = timeline(document.getElementById("timeline"), {
  names, panels, quality, running, happened: `loop=${encodeURIComponent(id)}`, interval: Number(node.dataset.interval),
});
watch(`/api/v1/stream/loops/${encodeURIComponent(id)}`, { state: shown, judged, redraw: past.redraw });

function shown(state, word) {
  if (!state.loop) return;
  const time = seconds(state.time);
  sheet.update(state.loop, time, underWork(state.alarms.out_of_service), state.limit);
  past.add(time, valued(state.loop), [state.alarms.edition, ...state.loop.findings.map((one) => one.id)].join());
  if (Date.now() - known > 600000) learn();
  if (word === "live") needs(state.loop.findings.length);
}

// One row of every series of the plots.
function valued(view) {
  const at = (quantity, value, good = "good") => [`loop/${id}/${quantity}`, [value, value === null ? "bad" : good]];
  return new Map([
    at("combined", view.combined, view.quality), at("feedback", view.feedback), at("setpoint", view.setpoint),
    at("output", view.output), at("running", view.running === null ? null : Number(view.running)),
    ...view.transducers.map((one) => [`transducer/${one.id}`, [one.value, one.quality]]),
  ]);
}

// How far its transducers may be apart; it grows with the months.
async function learn() {
  known = Date.now();
  try {
    const answer = await fetch(`/api/v1/loops/${encodeURIComponent(id)}`);
    if (!answer.ok) throw new Error(`answer ${answer.status}`);
    know((await answer.json()).differences);
  } catch {
    known = 0; // with the next row
  }
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

function judged(word, at) {
  sheet.asof(word === "live" || word === "waiting" || !at ? "" : `Not live: from ${at}`);
  if (word !== "live") past.outdated();
}
