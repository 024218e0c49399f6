// One loop at this instant: fills its sheet from each state.

import { findings } from "./findings.js";
import { level, mark, partsOf, say, show } from "./parts.js";
import { axis, strip } from "./strip.js";
import { measure, pretty } from "./units.js";
import { LEVELS, amount, believed, capital, figure, listed, moment, seconds, worst } from "./words.js";

const QUALITY = { good: "good", uncertain: "out", bad: "failure" };

export function loopSheet(sheet) {
  const parts = partsOf(sheet);
  const shown = measure(sheet.dataset.unit, Number(sheet.dataset.span));
  const scale = { low: Number(sheet.dataset.low), high: Number(sheet.dataset.high) };
  const show_findings = findings(parts.findings);
  const inputs = new Map();
  axis(parts.axis, { low: shown.number(scale.low), high: shown.number(scale.high) });
  say(parts.unit, shown.label);

  // work(id, kind): who has taken it out of service, if anybody has. limit: what is said of one
  // that is passed.
  function update(view, time, work, limit) {
    if (!inputs.size) build(view);
    const mine = work(view.id, "loop");
    const named = worst([LEVELS[view.status], ...view.findings.map((f) => LEVELS[f.status])]);
    level(sheet, mine ? "check" : worst([named, QUALITY[view.quality], limit ? "out" : "good"]));
    say(parts.word, word(view, mine, time, limit));
    say(parts.combined, shown.text(view.combined));
    show(parts.doubt, view.quality !== "good");
    say(parts.doubt, view.quality === "good" ? "" : `${capital(view.quality)}: ${view.reason}`);
    say(parts.feedback, shown.text(view.feedback));
    show(parts.believed, view.without.length > 0);
    say(parts.believed, capital(believed(view, shown)));
    agreement(view);
    say(parts.setpoint, shown.text(view.setpoint));
    say(parts.output, view.output === null ? "–" : amount(Number(view.output.toFixed(1))));
    say(parts.running, { true: "running", false: "stopped" }[view.running] || "");
    door(view);
    say(parts.does, does(view, shown));
    for (const input of view.transducers) inputs.get(input.id)?.(input, view, work(input.id, "transducer"));
    const where = Object.fromEntries(view.transducers.map((one) => [one.id, one.location]));
    show_findings(view.findings, time, where);
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

  function door({ door: view, without }) {
    if (!view || !parts.door) return;
    const force = view.force_N === null ? "not known" : `${Math.round(view.force_N)} N to open, of ${Math.round(view.force_limit_N)} N`;
    say(parts.door, without.length ? `${force}, without ${listed(without, "and")}` : force);
    const over = view.force_N !== null && view.force_N > view.force_limit_N;
    mark(parts["door-over"], over ? "more than that" : "", over ? "out" : "good");
    say(parts.caution, `It reaches its limit at ${shown.with(view.pressure_limit)}. ${view.caution}`);
  }

  return { update, asof: (text) => { show(parts.asof, Boolean(text)); say(parts.asof, text); } };
}

function word(view, work, now, limit) {
  const n = view.findings.length;
  if (work) return `Function check until ${moment(seconds(work.until), now)}`;
  if (n) return `${capital(view.status)}, ${n} ${n === 1 ? "finding" : "findings"}`;
  if (view.quality !== "good") return `${capital(view.quality)} value`;
  return limit ? pretty(limit) : "No findings";
}

// What the combination does with its transducers at this instant.
function does(view, shown) {
  const ids = view.transducers.map((one) => one.id);
  const n = ids.length;
  const driver = view.driver;
  const bad = view.transducers.filter((one) => one.quality === "bad").map((one) => one.id);
  const still = bad.length && n > 1 ? ` ${listed(bad, "and")} ${bad.length === 1 ? "is" : "are"} bad; the controller goes on using ${bad.length === 1 ? "it" : "them"}.` : "";
  const apart = spread(view);
  const others = apart === null ? "" : `, ${shown.with(apart)} from the next`;
  const text = {
    average: `${n === 2 ? "Both" : `All ${n}`} count alike: an error of one moves the combined pressure by ${{ 1: "all", 2: "half", 3: "a third", 4: "a quarter" }[n] || `one part in ${n}`} of it.`,
    minimum: driver ? `The lowest counts, which now is ${driver}${others}.` : "The lowest counts.",
    maximum: driver ? `The highest counts, which now is ${driver}${others}.` : "The highest counts.",
    median: driver ? `The middle one counts, which now is ${driver}.` : "The mean of the middle two counts.",
    sum: "The sum of all counts.",
    difference: `${ids[0]} less ${ids[1]} counts.`,
    single: `${ids[0]} alone counts: nothing here can contradict it.`,
  }[view.combine];
  return `${text}${still}`;
}

// How far the deciding one is from the next, in the loop's unit.
function spread(view) {
  if (!view.driver || view.transducers.some((one) => one.value === null || one.unit !== view.unit)) return null;
  const own = view.transducers.find((one) => one.id === view.driver).value;
  const rest = view.transducers.filter((one) => one.id !== view.driver).map((one) => Math.abs(one.value - own));
  return rest.length ? Math.min(...rest) : null;
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
    const now = view.electrical === null ? "no signal" : `${figure(view.electrical, 2)} ${view.electrical_unit}`;
    say(parts.signal, now);
    move(view.value === null ? null : view.value * factor, loop ? loop.setpoint : null);
  };
}
