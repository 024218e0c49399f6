// Pressures in the unit that the viewer has chosen, each with the digits that its span deserves.

import { choice } from "./choices.js";
import { figure } from "./words.js";

const PASCALS = JSON.parse(document.body.dataset.pascals);
const LABELS = JSON.parse(document.body.dataset.labels);

// The unit in which a pressure in `unit` is shown; other units (Hz, %) stay what they are.
export const shown = (unit) => (choice("unit") && unit in PASCALS ? choice("unit") : unit);
export const label = (unit) => LABELS[unit] || unit;
export const isPressure = (unit) => unit in PASCALS;

// Of values in the site file; the longest first, so that none is taken for the end of another.
export const units = (document.body.dataset.units || "").split(" ").sort((a, b) => b.length - a.length);

// A sentence of the gateway with units and minus signs as the pages write them.
export function pretty(text) {
  const signed = text.replace(/(^|\s)-(?=\d)/g, "$1−");
  return units.filter((u) => label(u) !== u).reduce((all, u) => all.replaceAll(` ${u}`, ` ${label(u)}`), signed);
}

// How pressures in `unit` are shown. span: of the transducer, in `unit`.
export function measure(unit, span) {
  const to = shown(unit);
  const factor = isPressure(unit) ? PASCALS[unit] / PASCALS[to] : 1;
  const decimals = digits(span * factor);
  const number = (value) => (value === null || value === undefined ? null : value * factor);
  return {
    unit: to, label: label(to), factor, decimals, number,
    text: (value, more = 0) => figure(number(value), decimals + more),
    with: (value, more = 0) => `${figure(number(value), decimals + more)} ${label(to)}`,
  };
}

// Digits after the point that show about a thousandth of a span.
export const digits = (span) => Math.min(5, Math.max(0, Math.ceil(-Math.log10(span / 1000))));

// A pressure of unknown span, as in the evidence of a finding: four digits that count.
export function converted(value, unit) {
  const to = shown(unit);
  return [to === unit ? value : value * (PASCALS[unit] / PASCALS[to]), label(to)];
}
