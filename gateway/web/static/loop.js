// One loop: fills its sheet from each state.

import { deeper } from "./deeper.js";
import { findings } from "./findings.js";
import { level, mark, partsOf, say, show } from "./parts.js";
import { axis, strip } from "./strip.js";
import { trend } from "./trend.js";
import { measure } from "./units.js";
import { LEVELS, amount, capital, moment, seconds, worst } from "./words.js";

const QUALITY = { good: "good", uncertain: "out", bad: "failure" };

export function loopSheet(sheet, times) {
  const parts = partsOf(sheet);
  const shown = measure(sheet.dataset.unit, Number(sheet.dataset.span));
  const scale = { low: Number(sheet.dataset.low), high: Number(sheet.dataset.high) };
  const show_findings = findings(parts.findings);
  const inputs = new Map();
  axis(parts.axis, { low: shown.number(scale.low), high: shown.number(scale.high) });
  say(parts.unit, shown.label);
  deeper(sheet, parts);
  const plot = trend(sheet, parts, shown, times);

  // work(id, kind): who has taken it out of service, if anybody has.
  function update(view, time, work) {
    if (!inputs.size) build(view);
    const mine = work(view.id, "loop");
    const named = worst([LEVELS[view.status], ...view.findings.map((f) => LEVELS[f.status])]);
    level(sheet, mine ? "check" : worst([named, QUALITY[view.quality], view.feedback_agrees === false ? "out" : "good"]));
    say(parts.word, word(view, mine, time));
    say(parts.combined, shown.text(view.combined));
    show(parts.doubt, view.quality !== "good");
    say(parts.doubt, view.quality === "good" ? "" : `${capital(view.quality)}: ${view.reason}`);
    say(parts.feedback, shown.text(view.feedback));
    agreement(view);
    say(parts.setpoint, shown.text(view.setpoint));
    say(parts.output, view.output === null ? "–" : amount(Number(view.output.toFixed(1))));
    say(parts.running, { true: "running", false: "stopped" }[view.running] || "");
    for (const input of view.transducers) inputs.get(input.id)?.(input, view, work(input.id, "transducer"));
    show_findings(view.findings, time);
    plot.add(time, view);
    return named;
  }

  function build(view) {
    const limits = { low: view.limit_low, high: view.limit_high };
    const ends = [limits.low, limits.high].map((end) => (end === null ? "none" : shown.text(end)));
    say(parts.limits, ends.join(" to "));
    for (const node of sheet.querySelectorAll("[data-input]")) {
      inputs.set(node.dataset.input, inputRow(node, { ...scale, limits }));
    }
  }

  function agreement(view) {
    const apart = view.feedback_agrees === null ? null : Math.abs(view.feedback - view.combined);
    if (apart === null) mark(parts.agree, view.feedback === null ? "not reported" : "no value to compare", "good");
    else if (view.feedback_agrees) mark(parts.agree, "agrees", "good");
    else mark(parts.agree, `differs by ${shown.text(apart)}`, "out");
  }

  return { node: sheet, update, plot, asof: (text) => { show(parts.asof, Boolean(text)); say(parts.asof, text); } };
}

function word(view, work, now) {
  const n = view.findings.length;
  if (work) return `Function check until ${moment(seconds(work.until), now)}`;
  if (n) return `${capital(view.status)}, ${n} ${n === 1 ? "finding" : "findings"}`;
  if (view.quality !== "good") return `${capital(view.quality)} value`;
  if (view.feedback_agrees === false) return "Feedback differs";
  return "No findings";
}

// A transducer's row; `scale` in the unit of its loop.
export function inputRow(node, scale) {
  const parts = partsOf(node);
  const shown = measure(node.dataset.unit, Number(node.dataset.span));
  const factor = Number(node.dataset.factor);
  const move = strip(parts.strip, scale);

  return (view, loop, work) => {
    const name = work ? "check" : worst([LEVELS[view.status], QUALITY[view.quality]]);
    level(node, name);
    node.toggleAttribute("data-doubt", name !== "good");
    node.toggleAttribute("data-bad", view.quality === "bad");
    say(parts.unit, shown.label);
    say(parts.value, shown.text(view.value));
    const quality = view.reason ? `${view.quality}: ${view.reason}` : view.quality;
    const word = work ? `Function check until ${moment(seconds(work.until), seconds(view.time))}` : capital(view.status);
    const status = work || (view.quality === "good" && name !== "good") ? `${word}; value ${quality}` : view.reason ? capital(quality) : quality;
    mark(parts.quality, status, name);
    show(parts.drives, loop !== null && loop.driver === view.id);
    const now = view.electrical === null ? "no signal" : `${view.electrical.toFixed(2)} ${view.electrical_unit}`;
    say(parts.signal, now.replace("-", "−"));
    move(view.value === null ? null : view.value * factor, loop ? loop.setpoint : null);
  };
}
