// How a transducer has fared: offset beside the others and where it leads, rate of drift, noise,
// response; in words first.

import { keys } from "./keys.js";
import { child, say } from "./parts.js";
import { plotOf } from "./plot.js";
import { day, listed, seconds } from "./words.js";

const DAY_S = 86400;
const YEAR_S = 365.25 * DAY_S;
const CHOICES = [7, 30, 90, 365]; // days

export function fared(section, id, shown) {
  const part = (name) => section.querySelector(`[data-f=${name}]`);
  let view = null;
  let chosen = false; // by a person; before, as far back as something was recorded
  const drawings = window.uPlot ? panelsOf(id, shown, () => view).map(drawingOf) : [];

  function drawingOf(panel, n, panels) {
    const figure = child(part("panels"), "figure", undefined, "panel");
    child(figure, "figcaption", panel.label);
    const canvas = child(figure, "div", undefined, `canvas ${panel.key}`);
    canvas.setAttribute("role", "img");
    canvas.setAttribute("aria-label", `${panel.label}; figures in the table beside it`);
    const key = keys(figure, panel, draw);
    const told = { select() {}, point: (at) => one.columns && key.point(one.columns, at) };
    const plot = plotOf(panel, canvas, { sync: `fared ${panel.key}`, dated: n === 0 || n === panels.length - 1, told });
    const one = { panel, key, plot, columns: null };
    return one;
  }

  function draw() {
    if (!view) return;
    const ends = [view.from_s, ahead(view)];
    for (const one of drawings) {
      const time = one.panel.time(view);
      one.columns = one.panel.lines.map((line) => line.of(view, time));
      one.plot.show(time, one.columns, ends);
      one.key.fill(one.columns);
    }
  }

  async function load(days) {
    section.setAttribute("aria-busy", "true");
    try {
      const answer = await fetch(`/api/v1/transducers/${encodeURIComponent(id)}/condition?days=${days}`);
      if (!answer.ok) throw new Error(`answer ${answer.status}`);
      view = await answer.json();
      const there = view.time.length ? (view.to_s - view.time[0]) / DAY_S : days;
      const fits = CHOICES.find((choice) => choice >= 0.95 * there);
      if (!chosen && fits < days) {
        section.querySelector(`[name=days][value="${fits}"]`).checked = true;
        return load(fits);
      }
      say(part("against"), view.others.length ? `against ${listed(view.others, "and")}` : "alone: there is no other to compare it with");
      say(part("drift"), sentence(view, shown));
      draw();
    } catch (error) {
      say(part("drift"), `The history cannot be read now (${error.message}).`);
    }
    section.removeAttribute("aria-busy");
    return undefined;
  }

  section.querySelector("form").addEventListener("change", ({ target }) => {
    chosen = true;
    load(target.value);
  });
  load(90);
  return { redraw: () => drawings.forEach((one) => one.plot.redraw()) };
}

// To where the offset is drawn: the day it leaves the tolerance, where that is near.
function ahead(view) {
  const leaves = view.drift?.leaves ? seconds(view.drift.leaves) : view.to_s;
  return Math.min(Math.max(leaves + 0.02 * (view.to_s - view.from_s), view.to_s), view.to_s + 0.5 * (view.to_s - view.from_s));
}

function panelsOf(id, shown, viewed) {
  const { factor, span } = shown;
  const part = (name, by = factor) => (view, time) => ({ mean: time.map((_time, k) => (view[name][k] ?? null) === null ? null : view[name][k] * by) });
  const within = ({ usual, tolerance }) => ({ low: ((usual ?? 0) - tolerance) * factor, high: ((usual ?? 0) + tolerance) * factor });
  return [
    {
      key: "apart", label: `Offset beside the others, ${shown.label}; grey: within tolerance`, decimals: shown.decimals + 1,
      time: (view) => [...view.time, ...(ahead(view) > view.to_s ? [view.to_s, ahead(view)] : [])],
      lines: [
        { name: "offset, fan running", width: 1.8, dash: [], tone: "--ink", of: part("offset") },
        { name: "where its drift leads", width: 1.5, dash: [8, 5], tone: "--line-c", optional: true, of: trend(factor) },
        { name: "reading, fan off", width: 2, dash: [2, 3], tone: "--line-a", optional: true, of: part("rest") },
      ],
      zones: () => (viewed() ? [within(viewed())] : []),
      marks: () => (viewed() && viewed().usual !== null ? [{ value: viewed().usual * factor, name: "usual" }] : []),
      height(low, high) {
        const ends = this.zones().flatMap((zone) => [zone.low, zone.high]);
        return [Math.min(low ?? 0, ...ends, -0.005 * span), Math.max(high ?? 0, ...ends, 0.005 * span)].map((end) => end * 1.08);
      },
    },
    {
      key: "rate", label: `Rate of drift, ${shown.label} a year; grey: a year stays within tolerance`, decimals: shown.decimals,
      time: (view) => view.rates.time,
      lines: [{
        name: "rate, band: 95 %", width: 1.8, dash: [], tone: "--line-c", band: true,
        of: ({ rates }) => ({ mean: scaled(rates.per_year, factor), min: scaled(rates.low, factor), max: scaled(rates.high, factor) }),
      }],
      zones: () => (viewed() ? [{ low: -viewed().tolerance * factor, high: viewed().tolerance * factor }] : []),
      marks: () => [{ value: 0, name: "" }],
      height(low, high) {
        const most = Math.max(...this.zones().map((zone) => zone.high), 0.005 * span);
        return [Math.min(low ?? 0, -most) * 1.1, Math.max(high ?? 0, most) * 1.1];
      },
    },
    {
      key: "rate", label: `Noise: scatter of its readings, ${shown.label}`, decimals: shown.decimals + 1, time: (view) => view.time,
      lines: [
        { name: id, width: 1.8, dash: [], tone: "--ink", of: part("scatter") },
        { name: "the others", width: 1.5, dash: [5, 4], tone: "--line-b", optional: true, of: part("others_scatter") },
      ],
      zones: () => [], marks: () => [],
      height: (_low, high) => [0, Math.max(1.15 * (high ?? 0), 0.004 * span)],
    },
    {
      key: "rate", label: "Response: how much it moves, as a share of the others", decimals: 2, time: (view) => view.time,
      lines: [{ name: `${id}; 1 is alike`, width: 1.8, dash: [], tone: "--line-a", of: part("response", 1) }],
      zones: () => [], marks: () => [{ value: 1, name: "alike" }],
      height: (_low, high) => [0, Math.max(1.5, 1.1 * (high ?? 0))],
    },
  ];
}

const scaled = (values, by) => values.map((value) => (value === null ? null : value * by));

// The straight line of the drift through the middle of the offsets.
function trend(factor) {
  return ({ offset, time: at, drift }, time) => {
    if (!drift?.real) return { mean: time.map(() => null) };
    const rate = drift.per_year / YEAR_S;
    const left = offset.map((value, k) => (value === null ? null : value - rate * at[k])).filter((value) => value !== null).sort((a, b) => a - b);
    const middle = left[left.length >> 1];
    return { mean: time.map((when) => (middle + rate * when) * factor) };
  };
}

function sentence(view, shown) {
  const { drift } = view;
  const tolerance = `The tolerance is ±${shown.with(view.tolerance)}${view.usual === null ? "" : " beside the usual offset"}.`;
  if (!view.others.length) return `Alone, only its reading with the fan off can show a drift. ${tolerance}`;
  if (!drift) return `Too little was recorded to tell a drift: that takes two days at least. ${tolerance}`;
  const ends = `between ${shown.text(drift.low, 1)} and ${shown.with(drift.high, 1)} a year`;
  if (!drift.real) return `No drift that can be told from the swing of days: ${ends} (95 %). ${tolerance}`;
  const over = drift.leaves && seconds(drift.leaves) < view.to_s + 3600;
  const when = over ? "It has left the tolerance already." : drift.leaves ? `If it goes on so, it leaves the tolerance about ${day(seconds(drift.leaves))}.` : "At that rate it stays within the tolerance for more than 50 years.";
  return `Drifts by ${shown.with(drift.per_year, 1)} a year, ${ends} (95 %). ${when} ${tolerance}`;
}
