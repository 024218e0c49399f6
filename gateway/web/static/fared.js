// How a transducer has fared: offset beside the others, rest, scatter; its drift in words.

import { keys } from "./keys.js";
import { child, say } from "./parts.js";
import { plotOf } from "./plot.js";
import { day, listed, seconds } from "./words.js";

export function fared(section, id, shown) {
  const part = (name) => section.querySelector(`[data-f=${name}]`);
  const span = shown.span;
  let view = null;
  const panels = [
    {
      key: "apart", label: `Beside the others, ${shown.label}; grey: within tolerance`, decimals: shown.decimals + 1,
      lines: [
        { name: "offset, fan running", width: 1.8, dash: [], tone: "--ink", part: "offset" },
        { name: "reading, fan off", width: 2, dash: [2, 3], tone: "--line-a", part: "rest" },
      ],
      zones: () => (view ? [{ low: ((view.usual ?? 0) - view.tolerance) * shown.factor, high: ((view.usual ?? 0) + view.tolerance) * shown.factor }] : []),
      marks: () => (view && view.usual !== null ? [{ value: view.usual * shown.factor, name: "usual" }] : []),
      height(low, high) {
        const ends = this.zones().flatMap((zone) => [zone.low, zone.high]);
        return [Math.min(low ?? 0, ...ends, -0.005 * span), Math.max(high ?? 0, ...ends, 0.005 * span)].map((end) => end * 1.08);
      },
    },
    {
      key: "output", label: `Scatter of its readings, ${shown.label}`, decimals: shown.decimals + 1,
      lines: [
        { name: id, width: 1.8, dash: [], tone: "--ink", part: "scatter" },
        { name: "the others", width: 1.5, dash: [5, 4], tone: "--line-b", part: "others_scatter", optional: true },
      ],
      zones: () => [], marks: () => [],
      height: (_low, high) => [0, Math.max(1.15 * (high ?? 0), 0.004 * span)],
    },
  ];
  const drawings = panels.map((panel, n) => {
    if (!window.uPlot) return null;
    const figure = child(part("panels"), "figure", undefined, "panel");
    child(figure, "figcaption", panel.label);
    const canvas = child(figure, "div", undefined, `canvas ${panel.key}`);
    canvas.setAttribute("role", "img");
    canvas.setAttribute("aria-label", `${panel.label}; figures in the table below`);
    const key = keys(part("tables"), panel, draw);
    const told = { select() {}, point: (at) => drawings.forEach((one) => one?.columns && one.key.point(one.columns, at)) };
    const plot = plotOf(panel, canvas, { sync: "fared", dated: n === panels.length - 1, told });
    return { panel, key, plot, columns: null };
  });

  function draw() {
    if (!view) return;
    for (const drawing of drawings) {
      if (!drawing) continue;
      drawing.columns = drawing.panel.lines.map((line) => ({ mean: view[line.part].map((value) => (value === null ? null : value * shown.factor)) }));
      drawing.plot.show(view.time, drawing.columns, [view.from_s, view.to_s]);
      drawing.key.fill(drawing.columns);
    }
  }

  async function load(days) {
    section.setAttribute("aria-busy", "true");
    try {
      const answer = await fetch(`/api/v1/transducers/${encodeURIComponent(id)}/condition?days=${days}`);
      if (!answer.ok) throw new Error(`answer ${answer.status}`);
      view = await answer.json();
      say(part("against"), view.others.length ? `against ${listed(view.others, "and")}` : "alone: there is no other to compare it with");
      say(part("drift"), sentence(view, shown));
      draw();
    } catch (error) {
      say(part("drift"), `The history cannot be read now (${error.message}).`);
    }
    section.removeAttribute("aria-busy");
  }

  section.querySelector("form").addEventListener("change", ({ target }) => load(target.value));
  load(90);
  return { redraw: () => drawings.forEach((one) => one?.plot.redraw()) };
}

function sentence(view, shown) {
  const { drift } = view;
  const tolerance = `The tolerance is ±${shown.with(view.tolerance)}${view.usual === null ? "" : " beside the usual offset"}.`;
  if (!view.others.length) return `Alone, only its reading with the fan off can show a drift. ${tolerance}`;
  if (!drift) return `Too little was recorded to tell a drift. ${tolerance}`;
  const ends = `between ${shown.text(drift.low, 1)} and ${shown.with(drift.high, 1)} a year`;
  if (!drift.real) return `No drift that can be told from the swing of days: ${ends} (95 %). ${tolerance}`;
  const when = drift.leaves ? `If it goes on so, it leaves the tolerance about ${day(seconds(drift.leaves))}.` : "At that rate it stays within the tolerance for more than 50 years.";
  return `Drifts by ${shown.with(drift.per_year, 1)} a year, ${ends} (95 %). ${when} ${tolerance}`;
}
