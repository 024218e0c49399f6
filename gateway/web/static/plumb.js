// The rule of one row: the set point in the middle, so that on a page of sound loops every mark
// hangs on one line, whatever the loops hold. Limits as a band, transducers as fine ticks, what
// the controller says as a ring.

import { drawn } from "./parts.js";

const root = document.documentElement;
const LEGIBLE = 16; // pixels of text for which the marks are drawn
const WIDER = 1.3; // half of the rule: the further limit, and some room
const NARROWEST = 0.02; // of span
const WITHOUT_LIMITS = 0.2; // of span

// Marks grow with the text, up to the wall screen.
function fit() {
  root.style.setProperty("--grown", parseFloat(getComputedStyle(root).fontSize) / LEGIBLE);
}
window.addEventListener("resize", fit);
window.addEventListener("look", fit);
fit();

export function plumb(box) {
  const svg = drawn(box, "svg", { focusable: "false" });
  const band = drawn(svg, "rect", { class: "band", y: "32%", height: "36%" });
  drawn(svg, "line", { class: "rail", x1: "0%", x2: "100%", y1: "50%", y2: "50%" });
  const aim = drawn(svg, "line", { class: "aim", x1: "50%", x2: "50%", y1: "-60%", y2: "160%" });
  const fine = drawn(svg, "g", { class: "fine" });
  const theirs = mark(svg, "theirs", "M0 -5a5 5 0 1 1 0 10a5 5 0 1 1 0 -10z");
  const ours = mark(svg, "ours", "M-3 -7h6v19h-6z");

  return (row) => {
    const scale = scaleOf(row);
    aim.setAttribute("visibility", row.setpoint === null ? "hidden" : "visible");
    place(band, row, scale);
    ticks(fine, row, scale);
    put(theirs, row.feedback, scale);
    put(ours, row.combined, scale);
  };
}

function scaleOf({ setpoint, limit_low: low, limit_high: high, scale, span }) {
  const known = [low, high].filter((value) => value !== null);
  const middle = setpoint ?? (known.length === 2 ? (low + high) / 2 : (scale[0] + scale[1]) / 2);
  const away = known.map((value) => WIDER * Math.abs(value - middle));
  const half = setpoint === null && !known.length ? (scale[1] - scale[0]) / 2 : Math.max(NARROWEST * span, ...(away.length ? away : [WITHOUT_LIMITS * span]));
  return (value) => 50 + (50 * (value - middle)) / half;
}

const within = (share) => Math.min(100, Math.max(0, share));

function place(band, { limit_low: low, limit_high: high }, scale) {
  const from = low === null ? 0 : within(scale(low));
  const to = high === null ? 100 : within(scale(high));
  band.setAttribute("visibility", low === null && high === null ? "hidden" : "visible");
  band.setAttribute("x", `${from}%`);
  band.setAttribute("width", `${Math.max(0, to - from)}%`);
}

function ticks(group, { inputs }, scale) {
  while (group.childElementCount < inputs.length) drawn(group, "line", { y1: "0%", y2: "24%" });
  while (group.childElementCount > inputs.length) group.lastElementChild.remove();
  inputs.forEach((one, k) => {
    const tick = group.children[k];
    const share = one.value === null ? 0 : within(scale(one.value));
    tick.setAttribute("visibility", one.value === null || one.quality === "bad" ? "hidden" : "visible");
    tick.setAttribute("x1", `${share}%`);
    tick.setAttribute("x2", `${share}%`);
  });
}

function mark(svg, name, d) {
  const node = drawn(svg, "svg", { y: "50%", overflow: "visible", visibility: "hidden" });
  drawn(node, "path", { class: name, d });
  drawn(node, "path", { class: "beyond", d: "" });
  return node;
}

// Beyond the end it stands at the end, with an arrow that says so.
function put(node, value, scale) {
  node.setAttribute("visibility", value === null ? "hidden" : "visible");
  if (value === null) return;
  const share = scale(value);
  node.setAttribute("x", `${within(share)}%`);
  const arrow = share > 100 ? "M-10 -5l6 5l-6 5" : share < 0 ? "M10 -5l-6 5l6 5" : "";
  node.lastElementChild.setAttribute("d", arrow);
}
