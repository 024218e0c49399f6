// The scale of one transducer: where its reading stands between the ends, with set point and limits.
// All transducers of a loop share the ends, so that one that disagrees stands out of line.

import { drawn } from "./parts.js";
import { amount } from "./words.js";

export function axis(box, { low, high }) {
  const svg = drawn(box, "svg", { focusable: "false" });
  const marks = low < 0 && high > 0 ? [low, 0, high] : [low, high];
  for (const value of marks) {
    const share = (100 * (value - low)) / (high - low);
    if (value === 0 && share % 100 !== 0 && (share < 25 || share > 75)) continue; // no room
    const anchor = { 0: "start", 100: "end" }[share] || "middle";
    drawn(svg, "text", { x: `${share}%`, y: "75%", "text-anchor": anchor }).textContent = amount(value);
  }
}

export function strip(box, { low, high, limits }) {
  const at = (value) => `${Math.min(101, Math.max(-1, (100 * (value - low)) / (high - low)))}%`;
  const svg = drawn(box, "svg", { focusable: "false" });
  if (limits.low !== null || limits.high !== null) {
    const from = Math.max(low, limits.low ?? low);
    const to = Math.min(high, limits.high ?? high);
    if (to > from) {
      drawn(svg, "rect", { class: "band", x: at(from), y: "30%", height: "40%", width: `${(100 * (to - from)) / (high - low)}%` });
    }
  }
  drawn(svg, "line", { class: "rail", x1: "0%", x2: "100%", y1: "50%", y2: "50%" });
  const ticks = low < 0 && high > 0 ? [low, 0, high] : [low, high];
  for (const tick of ticks) drawn(svg, "line", { class: "ends", x1: at(tick), x2: at(tick), y1: "30%", y2: "70%" });
  const aim = drawn(svg, "line", { class: "aim", y1: "0%", y2: "100%", visibility: "hidden" });
  const place = drawn(svg, "svg", { y: "50%", overflow: "visible", visibility: "hidden" });
  drawn(place, "path", { class: "hand", d: "M-3 -10h6v20h-6z" });

  return (value, setpoint) => {
    move(aim, setpoint, (x) => {
      aim.setAttribute("x1", x);
      aim.setAttribute("x2", x);
    });
    move(place, value, (x) => place.setAttribute("x", x));
  };

  function move(node, value, put) {
    node.setAttribute("visibility", value === null ? "hidden" : "visible");
    if (value !== null) put(at(value));
  }
}
