// The chain as a ladder: counts, signal, share and pressure on rulers with one line through all of
// them, since each is a straight function of the next. What stands beside the line is scaled wrongly.

import { child, drawn, say } from "./parts.js";
import { amount, figure, raw } from "./words.js";

const STOPS = [0, 0.25, 0.5, 0.75, 1];

// chain: as the interface gives it; shown: how pressures are shown.
export function ladder(box, chain, shown) {
  const [low, high] = chain.electrical;
  const share = (electrical) => (electrical - low) / (high - low);
  const ends = chain.ends ? chain.ends.map(share) : [-0.1, 1.1];
  const from = Math.max(-0.4, Math.min(0, ends[0]));
  const to = Math.min(1.3, Math.max(1, ends[1]));
  const at = (part) => `${(100 * (part - from)) / (to - from)}%`;
  const along = ([a, b]) => (part) => a + part * (b - a);
  const unit = chain.electrical_unit;
  const rows = [
    rung("Counts", along(chain.counts), raw, raw),
    rung("At the terminals", along(chain.electrical), (value) => `${figure(value, 2)} ${unit}`),
    rung("Share of range", along([0, 100]), (value) => `${figure(value, 1)} %`),
    rung("Pressure", along(chain.pressure), shown.with, (value) => amount(shown.number(value))),
  ];
  box.replaceChildren(...rows.map((row) => row.node));
  const hair = child(box, "div", undefined, "hair");
  const far = child(box, "p", undefined, "about");
  failing(rows[1].svg);
  const theirs = mark(rows[3].svg);

  return (view) => {
    const values = [view.counts, view.electrical, view.percent_span, view.value];
    rows.forEach((row, k) => say(row.value, values[k] === null ? "–" : row.text(values[k])));
    const part = view.percent_span === null ? null : view.percent_span / 100;
    hair.hidden = part === null;
    const beyond = part !== null && (part < from || part > to);
    say(far, beyond ? "The line stands beyond the ends that are drawn." : "");
    if (part !== null) hair.style.setProperty("--at", `${(Math.min(to, Math.max(from, part)) - from) / (to - from)}`);
    put(theirs, view.controller_value === null ? null : (view.controller_value - chain.pressure[0]) / (chain.pressure[1] - chain.pressure[0]));
  };

  function rung(name, value, text, label = amount) {
    const node = document.createElement("div");
    node.className = "rung";
    child(node, "span", name, "name");
    const svg = drawn(node, "svg", { "aria-hidden": "true", focusable: "false" });
    drawn(svg, "line", { class: "rail", x1: "0%", x2: "100%", y1: "35%", y2: "35%" });
    for (const stop of STOPS) {
      const major = stop === 0 || stop === 1 || stop === 0.5;
      drawn(svg, "line", { class: "tick", x1: at(stop), x2: at(stop), y1: "35%", y2: major ? "60%" : "50%" });
      const anchor = stop === 0 && from === 0 ? "start" : stop === 1 && to === 1 ? "end" : "middle";
      if (major) drawn(svg, "text", { x: at(stop), y: "98%", "text-anchor": anchor }).textContent = label(value(stop));
    }
    return { node, svg, text, value: child(node, "b", "–", "value") };
  }

  // Where no working device sends: below and above the failure limits.
  function failing(svg) {
    const { failure_low: below, failure_high: above } = chain.bands;
    const parts = [];
    if (below !== undefined && share(below) > from) parts.push([from, share(below)]);
    if (above !== undefined && share(above) < to) parts.push([share(above), to]);
    for (const [a, b] of parts) {
      const rect = drawn(svg, "rect", { class: "failing", x: at(a), width: `${(100 * (b - a)) / (to - from)}%`, y: "15%", height: "40%" });
      drawn(rect, "title", {}).textContent = "The device reports its own failure, or the wire is gone";
    }
  }

  function put(node, part) {
    node.setAttribute("visibility", part === null || part < from || part > to ? "hidden" : "visible");
    if (part !== null) node.setAttribute("x", at(part));
  }
}

function mark(svg) {
  const node = drawn(svg, "svg", { y: "35%", overflow: "visible", visibility: "hidden" });
  drawn(node, "path", { class: "theirs", d: "M0 -5a5 5 0 1 1 0 10a5 5 0 1 1 0-10z" });
  return node;
}
