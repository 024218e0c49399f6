// The page of one loop.

import { loopSheet } from "./loop.js";
import { needs, watch } from "./mast.js";
import { seconds } from "./words.js";

const node = document.querySelector("[data-loop]");
const sheet = loopSheet(node, { span: Number(node.dataset.back), interval: Number(node.dataset.interval) });

watch(`/api/v1/stream/loops/${encodeURIComponent(node.dataset.loop)}`, { state: shown, judged, redraw: () => sheet.plot.redraw() });

function shown(state, word) {
  if (!state.loop) return;
  sheet.update(state.loop, seconds(state.time), underWork(state.alarms.out_of_service));
  if (word === "live") needs(state.loop.findings.length);
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
  if (word !== "live") sheet.plot.outdated();
}
