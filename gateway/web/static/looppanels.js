// The plots of a loop: pressures, output, and how far its transducers are apart.

import { around, line } from "./timeline.js";
import { measure } from "./units.js";

export const DASHES = [[2, 2], [6, 2], [8, 2, 2, 2], [1, 3], [3, 5], [6, 2, 2, 2, 2, 2]];
export const TONES = ["--line-a", "--line-b", "--line-c", "--line-d", "--line-e", "--line-f"];
const MOST = 16; // transducers that are drawn

// sheet: the loop's, with what stands still of it. Gives { names, panels, know(differences) }.
export function loopPanels(sheet) {
  const id = sheet.dataset.loop;
  const shown = measure(sheet.dataset.unit, Number(sheet.dataset.span));
  const span = Number(sheet.dataset.span) * shown.factor;
  const members = [...sheet.querySelectorAll("[data-input]")].slice(0, MOST).map((node) => ({
    id: node.dataset.input, name: `transducer/${node.dataset.input}`, factor: Number(node.dataset.factor) * shown.factor,
  }));
  const of = (quantity) => `loop/${id}/${quantity}`;
  const limits = ["limitLow", "limitHigh"].map((name) => (sheet.dataset[name] === "" ? null : Number(sheet.dataset[name]) * shown.factor));
  const ends = [Number(sheet.dataset.low) * shown.factor, Number(sheet.dataset.high) * shown.factor];
  const quantities = ["combined", "feedback", "setpoint", "output", "running"];
  const apart = differencePanel(members, span, shown);
  const pressures = {
    key: "pressure", label: `Pressure, ${shown.label}`, decimals: shown.decimals, how: "close",
    lines: [
      line(of("combined"), { name: "combined", width: 4, tone: "--road" }, { factor: shown.factor }),
      line(of("feedback"), { name: "controller says", width: 1.5, tone: "--ink", band: false, optional: true }, { factor: shown.factor }),
      line(of("setpoint"), { name: "set point", width: 1.5, dash: [10, 6], tone: "--mark", band: false, optional: true }, { factor: shown.factor }),
      ...members.map((one, k) => line(one.name, { name: one.id, width: 1.2, dash: DASHES[k % DASHES.length], tone: TONES[k % TONES.length] }, { factor: one.factor, within: ends })),
    ],
    marks: () => limits.flatMap((value, k) => (value === null ? [] : [{ value, name: k ? "high limit" : "low limit" }])),
    zones: () => [],
    doubt: null,
    height(low, high) {
      if (this.how === "whole") return ends;
      const known = this.how === "limits" ? limits.filter((value) => value !== null) : [];
      const values = [...known, low, high].filter((value) => value !== null);
      return around(values.length ? Math.min(...values) : null, values.length ? Math.max(...values) : null, span);
    },
  };
  const outputs = {
    key: "output", label: `Output, ${sheet.dataset.outputUnit || "as reported"}; grey: stopped`, decimals: 1,
    lines: [line(of("output"), { name: "output", width: 1.5, tone: "--ink" })],
    marks: () => [], zones: () => [], stopped: null,
    height: (low, high) => (low === null ? [0, 1] : [low - 0.1 * (high - low) - 0.5, high + 0.1 * (high - low) + 0.5]),
  };
  const panels = [pressures, outputs, ...(members.length > 1 ? [apart.panel] : [])];
  return {
    names: [...quantities.map(of), ...members.map((one) => one.name)],
    panels,
    quality: of("combined"),
    running: of("running"),
    know: apart.know,
  };
}

// Each transducer less the middle of the others; of two, one less the other.
function differencePanel(members, span, shown) {
  let views = [];
  const middle = (get, others, k) => {
    const values = others.map((one) => valued(get, one, k)).filter((value) => value !== null).sort((a, b) => a - b);
    if (!values.length) return null;
    const half = values.length >> 1;
    return values.length % 2 ? values[half] : (values[half - 1] + values[half]) / 2;
  };
  const valued = (get, one, k) => {
    const mine = get(one.name);
    const value = mine.mean[k];
    return value === null || value === undefined || mine.quality[k] === "bad" ? null : value * one.factor;
  };
  const each = members.length === 2 ? members.slice(0, 1) : members;
  const panel = {
    key: "apart", label: `Difference between transducers, ${shown.label}; grey: both healthy`, decimals: Math.min(5, shown.decimals + 1),
    lines: each.map((one, n) => {
      const others = members.filter((other) => other !== one);
      return {
        name: members.length === 2 ? `${one.id} less ${others[0].id}` : `${one.id} less the others`,
        width: 1.5, dash: members.length === 2 ? [] : DASHES[n % DASHES.length], tone: members.length === 2 ? "--ink" : TONES[n % TONES.length], band: false,
        of(get, data) {
          const mean = data.time.map((_time, k) => {
            const [own, rest] = [valued(get, one, k), middle(get, others, k)];
            return own === null || rest === null ? null : own - rest;
          });
          return { mean, count: get(one.name).count };
        },
      };
    }),
    marks: () => views.filter((view) => view.usual !== null).map((view) => ({ value: view.usual * shown.factor, name: views.length > 1 ? `usual of ${view.id}` : "usual" })),
    zones: () => {
      const limit = Math.max(0, ...views.map((view) => view.limit ?? 0)) * shown.factor;
      return limit ? [{ low: -limit, high: limit }] : [];
    },
    height(low, high) {
      const limit = Math.max(0.01 * span, ...this.zones().map((zone) => zone.high));
      return [Math.min(-1.15 * limit, low === null ? 0 : 1.1 * low), Math.max(1.15 * limit, high === null ? 0 : 1.1 * high)];
    },
  };
  return { panel, know: (differences) => { views = differences; } };
}

