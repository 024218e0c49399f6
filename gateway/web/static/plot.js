// One plot over time: lines with their bands, limits, zones, and where a value was not good.

import { drawn } from "./parts.js";
import { axisTimes, figure, zone } from "./words.js";

const tone = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
const NOT_GOOD = { uncertain: "--out", bad: "--fail" };

// panel: { label, lines, marks: [{ value, name }], zones: [{ low, high }], decimals, height(how, low,
// high) }; told: { select(from, to), point(index) }.
// dated: whether times stand below it.
export function plotOf(panel, box, { sync, dated, told }) {
  const rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
  const lines = panel.lines;
  const axis = {
    stroke: () => tone("--soft"), font: `${Math.round(0.78 * rem)}px system-ui, sans-serif`, lineGap: 1.2,
    grid: { stroke: () => tone("--line"), width: 1 }, ticks: { show: false },
  };
  const bands = [];
  const series = [{}];
  for (const line of lines) {
    series.push({ label: line.name, stroke: () => tone(line.tone), width: line.width, dash: line.dash, points: { show: false }, spanGaps: false });
    if (!line.band) continue;
    bands.push({ series: [series.length + 1, series.length], fill: () => `${tone(line.tone)}38` });
    for (let k = 0; k < 2; k += 1) series.push({ stroke: () => "transparent", width: 0, points: { show: false }, spanGaps: false });
  }
  const options = {
    width: box.clientWidth, height: box.clientHeight, padding: [0.4 * rem, 0, 0, 0], tzDate: (time) => window.uPlot.tzDate(new Date(time * 1000), zone),
    legend: { show: false },
    cursor: { y: false, points: { show: false }, drag: { x: true, y: false, setScale: false, dist: 6 }, sync: { key: sync } },
    scales: { x: { time: true, auto: false }, y: { range: (_plot, low, high) => panel.height(low, high) } },
    axes: [
      { ...axis, size: (dated ? 2.5 : 0.2) * rem, gap: 3, space: 5.5 * rem, values: (plot, at, _k, _space, step) => (dated ? fitting(plot, at, axisTimes(at, step, plot.scales.x.min), 0.25 * rem) : at.map(() => "")) },
      { ...axis, size: axisWidth(rem), gap: 4, space: 2 * rem, values: (_plot, at, _k, _space, step) => at.map((v) => figure(v, whole(step))) },
    ],
    series, bands,
    hooks: {
      drawClear: [(plot) => stops(plot, panel), (plot) => zones(plot, panel)],
      draw: [(plot) => marks(plot, panel), (plot) => doubts(plot, panel)],
      setCursor: [(plot) => told.point(plot.cursor.idx ?? null)],
      setSelect: [(plot) => {
        const { left, width } = plot.select;
        if (width < 6) return;
        plot.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
        told.select(plot.posToVal(left, "x"), plot.posToVal(left + width, "x"));
      }],
    },
  };
  const plot = new window.uPlot(options, [[], ...series.slice(1).map(() => [])], box);
  new ResizeObserver(() => fit()).observe(box);

  function fit(anyway = false) {
    const size = { width: box.clientWidth, height: box.clientHeight };
    if (size.width && (anyway || size.width !== plot.width || size.height !== plot.height)) plot.setSize(size);
  }

  // columns: for each line { mean, min, max } on `time`.
  function show(time, columns, [from, to]) {
    const data = [time];
    lines.forEach((line, k) => {
      const hidden = line.hidden ? time.map(() => null) : null;
      data.push(hidden || columns[k].mean);
      if (line.band) data.push(hidden || columns[k].min, hidden || columns[k].max);
    });
    plot.setData(data, false);
    plot.setScale("x", { min: from, max: to });
  }

  return { plot, show, redraw: () => fit(true) };
}

// Digits after the point that a step needs: one for 2.5.
function whole(step) {
  let digits = 0;
  while (digits < 6 && Math.abs(step * 10 ** digits - Math.round(step * 10 ** digits)) > 1e-6) digits += 1;
  return digits;
}

// Texts at times; one that the right edge would cut in two is left out. half: about half a letter wide.
function fitting(plot, at, texts, half) {
  const { min, max } = plot.scales.x;
  const room = (time) => ((max - time) / (max - min)) * plot.over.clientWidth;
  return texts.map((text, k) => (room(at[k]) < half * Math.max(...text.split("\n").map((line) => line.length)) ? "" : text));
}

export const axisWidth = (rem) => (window.innerWidth <= 36 * rem ? 3.2 : 3.8) * rem;

// Healthy zones lie under everything.
function zones(plot, { zones: list }) {
  const { ctx, bbox } = plot;
  for (const { low, high } of list()) {
    const top = Math.max(bbox.top, plot.valToPos(high, "y", true));
    const bottom = Math.min(bbox.top + bbox.height, plot.valToPos(low, "y", true));
    ctx.fillStyle = `${tone("--line")}70`;
    if (bottom > top) ctx.fillRect(bbox.left, top, bbox.width, bottom - top);
  }
}

// Where the fan stood still.
function stops(plot, { stopped }) {
  if (!stopped) return;
  const { ctx, bbox, data } = plot;
  const running = stopped();
  ctx.fillStyle = `${tone("--line")}90`;
  for (let k = 0; k + 1 < data[0].length; k += 1) {
    if (running[k] === null || running[k] === undefined || running[k] >= 0.5) continue;
    const from = Math.max(bbox.left, plot.valToPos(data[0][k], "x", true));
    const to = Math.min(bbox.left + bbox.width, plot.valToPos(data[0][k + 1], "x", true));
    if (to > from) ctx.fillRect(from, bbox.top, to - from, bbox.height);
  }
}

function marks(plot, { marks: list }) {
  const { ctx, bbox } = plot;
  const dot = window.devicePixelRatio;
  ctx.save();
  ctx.font = `${0.72 * parseFloat(getComputedStyle(document.documentElement).fontSize) * dot}px system-ui, sans-serif`;
  ctx.textAlign = "left";
  ctx.textBaseline = "bottom";
  for (const { value, name } of list()) {
    const y = plot.valToPos(value, "y", true);
    if (!(y > bbox.top && y < bbox.top + bbox.height)) continue;
    ctx.strokeStyle = tone("--mark");
    ctx.fillStyle = tone("--soft");
    ctx.lineWidth = dot;
    ctx.setLineDash([2 * dot, 4 * dot]);
    ctx.beginPath();
    ctx.moveTo(bbox.left, y);
    ctx.lineTo(bbox.left + bbox.width, y);
    ctx.stroke();
    const above = y - bbox.top > 14 * dot; // else it would be cut off
    ctx.textBaseline = above ? "bottom" : "top";
    ctx.fillText(name, bbox.left + 4 * dot, above ? y - 2 * dot : y + 2 * dot);
  }
  ctx.restore();
}

// Along the lower edge: where the value was not good, uncertain low and bad high.
function doubts(plot, { doubt }) {
  if (!doubt) return;
  const { ctx, bbox, data } = plot;
  const { quality, count } = doubt();
  const dot = window.devicePixelRatio;
  const time = data[0];
  for (let k = 0; k < time.length; k += 1) {
    if (!NOT_GOOD[quality[k]] || !count[k]) continue; // a gap speaks for itself
    const x = plot.valToPos(time[k], "x", true);
    const next = k + 1 < time.length ? plot.valToPos(time[k + 1], "x", true) : x + 2 * dot;
    const from = Math.max(x, bbox.left);
    const to = Math.min(next, bbox.left + bbox.width);
    const height = (quality[k] === "bad" ? 6 : 3) * dot;
    ctx.fillStyle = tone(NOT_GOOD[quality[k]]);
    if (to > from) ctx.fillRect(from, bbox.top + bbox.height - height, Math.max(dot, to - from), height);
  }
}

// A piece of the line for a key.
export function sample(parent, line) {
  const svg = drawn(parent, "svg", { viewBox: "0 0 36 12", "aria-hidden": "true" });
  if (line.band) drawn(svg, "rect", { x: 0, y: 1, width: 36, height: 10, fill: `var(${line.tone})`, "fill-opacity": 0.22 });
  return drawn(svg, "line", {
    x1: 0, x2: 36, y1: 6, y2: 6, stroke: `var(${line.tone})`, "stroke-width": line.width + 0.4, "stroke-dasharray": line.dash.join(" "),
  });
}
