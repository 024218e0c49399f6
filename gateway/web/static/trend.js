// The last minutes of one loop: history first, then each row as it comes. Gaps stay gaps.

import { child, drawn, say } from "./parts.js";
import { LEVELS, figure, minuteOfDay, timeOfDay, worst } from "./words.js";

const BUCKETS = 1200; // more than rows in the span, so that every row is drawn as it is
const MOST_INPUTS = 9; // the interface gives 12 series at a time
const LINES = [
  // Our pressure is a broad road, what the controller says a thin line that should stay on it.
  { name: "combined", dash: [], width: 5, tone: "--road" },
  { name: "feedback", dash: [], width: 1.5, tone: "--ink" },
  { name: "set point", dash: [12, 6], width: 1.5, tone: "--mark" },
];
const INPUT_DASHES = [[2, 2], [5, 2], [8, 2, 2, 2], [1, 3], [3, 5], [6, 2, 2, 2, 2, 2]];

export function trend(sheet, parts, shown, { span, interval }) {
  const { decimals, factor: ours } = shown;
  const id = sheet.dataset.loop;
  const members = [...sheet.querySelectorAll("[data-input]")].slice(0, MOST_INPUTS);
  const factors = [1, 1, 1, ...members.map((node) => Number(node.dataset.factor))].map((one) => one * ours);
  const names = ["combined", "feedback", "setpoint"].map((quantity) => `loop/${id}/${quantity}`);
  names.push(...members.map((node) => `transducer/${node.dataset.input}`));
  const lines = [...LINES, ...members.map((node, k) => ({
    name: node.dataset.input, dash: INPUT_DASHES[k % INPUT_DASHES.length], width: 1, tone: "--soft",
  }))];
  const keys = lines.map((line) => keyOf(parts.key, line));
  const times = [];
  const columns = lines.map(() => []);
  let plot = null;
  let stale = true;
  let loading = false;

  function add(time, view) {
    if (times.length && time <= times[times.length - 1]) return;
    if (times.length && time - times[times.length - 1] > 3 * interval + 1) push(times[times.length - 1] + interval, lines.map(() => null));
    const values = new Map(view.transducers.map((t) => [t.id, t.quality === "bad" ? null : t.value]));
    const inputs = members.map((node, k) => scaled(values.get(node.dataset.input), factors[LINES.length + k]));
    push(time, [...[view.combined, view.feedback, view.setpoint].map(shown.number), ...inputs]);
    while (times.length && times[0] < time - span) {
      times.shift();
      for (const column of columns) column.shift();
    }
    tones(view);
    if (plot && stale) load(time);
    draw();
  }

  function push(time, values) {
    times.push(time);
    columns.forEach((column, k) => column.push(values[k] ?? null));
  }

  // A line gets a tone only while its transducer needs a person.
  function tones(view) {
    for (const t of view.transducers) {
      const k = LINES.length + members.findIndex((node) => node.dataset.input === t.id);
      if (k < LINES.length) continue;
      const name = worst([LEVELS[t.status], t.quality === "bad" ? "failure" : "good"]);
      lines[k].tone = { failure: "--fail", out: "--out", check: "--check", maintenance: "--maint" }[name] || "--soft";
      keys[k].line.setAttribute("stroke", `var(${lines[k].tone})`);
    }
  }

  async function load(time) {
    if (loading) return;
    loading = true;
    stale = false;
    const query = new URLSearchParams(names.map((name) => ["series", name]));
    query.append("from", String(time - span));
    query.append("buckets", String(BUCKETS));
    try {
      const answer = await fetch(`/api/v1/history?${query}`);
      if (answer.ok) merge(await answer.json());
    } catch {
      stale = true; // no connection: again when it is back
    }
    loading = false;
    draw();
  }

  function merge(past) {
    const last = past.time.length ? past.time[past.time.length - 1] : -Infinity;
    const keep = times.findIndex((time) => time > last);
    const tail = keep < 0 ? times.length : keep;
    times.splice(0, tail, ...past.time);
    columns.forEach((column, k) => {
      column.splice(0, tail, ...past.series[k].mean.map((value, n) => believed(k, value, past.series[k].quality[n])));
    });
  }

  // What a bad input sends is no pressure, and would squeeze the others flat.
  function believed(k, value, quality) {
    return k >= LINES.length && quality === "bad" ? null : scaled(value, factors[k]);
  }

  function draw() {
    keys.forEach((key, k) => {
      key.item.hidden = columns[k].every((value) => value === null);
    });
    if (!plot || !times.length) return;
    const end = times[times.length - 1];
    plot.setData([times, ...columns], false);
    plot.setScale("x", { min: end - span, max: end });
    const values = columns[0].filter((value) => value !== null);
    const range = values.length ? `${figure(Math.min(...values), decimals)} to ${figure(Math.max(...values), decimals)} ${shown.label}` : "no values";
    parts.canvas.setAttribute("aria-label", `Trend of the last ${Math.round(span / 60)} minutes; combined pressure ${range}`);
  }

  function build() {
    parts.canvas.setAttribute("role", "img");
    plot = new window.uPlot(options(shown, [Number(sheet.dataset.low), Number(sheet.dataset.high)].map(shown.number), parts.canvas, lines, read), [times, ...columns], parts.canvas);
    new ResizeObserver(() => fit(plot, parts.canvas)).observe(parts.canvas);
    if (times.length) load(times[times.length - 1]);
  }

  // Values at the pointer, in the key.
  function read() {
    const at = plot?.cursor.idx ?? null;
    keys.forEach((key, k) => say(key.value, at === null ? "" : figure(columns[k][at], decimals)));
    const when = at === null ? "" : `, at ${timeOfDay(times[at])}`;
    say(parts.span, `Last ${Math.round(span / 60)} minutes, ${shown.label}${when}`);
  }

  if (window.uPlot) {
    const seen = new IntersectionObserver((entries) => {
      if (!entries.some((entry) => entry.isIntersecting)) return;
      seen.disconnect();
      build();
    }, { rootMargin: "300px" });
    seen.observe(parts.canvas);
  }

  return { add, outdated: () => { stale = true; }, redraw: () => plot && fit(plot, parts.canvas, true) };
}

const scaled = (value, factor) => (value === null || value === undefined ? null : value * factor);

function fit(plot, box, anyway = false) {
  const size = { width: box.clientWidth, height: box.clientHeight };
  if (size.width && (anyway || size.width !== plot.width || size.height !== plot.height)) plot.setSize(size);
}

function keyOf(list, line) {
  const item = child(list, "li");
  const svg = drawn(item, "svg", { viewBox: "0 0 36 12", "aria-hidden": "true" });
  const sample = drawn(svg, "line", {
    x1: 0, x2: 36, y1: 6, y2: 6, stroke: `var(${line.tone})`, "stroke-width": line.width + 0.4, "stroke-dasharray": line.dash.join(" "),
  });
  child(item, "span", line.name);
  return { item, line: sample, value: child(item, "b", "") };
}

const tone = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

function options({ decimals }, scale, box, lines, read) {
  const rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
  const axis = {
    stroke: () => tone("--soft"), font: `${0.78 * rem}px system-ui, sans-serif`,
    grid: { stroke: () => tone("--line"), width: 1 }, ticks: { show: false },
  };
  return {
    width: box.clientWidth, height: box.clientHeight,
    legend: { show: false },
    cursor: { y: false, points: { show: false }, drag: { x: false, y: false } },
    scales: { x: { time: true, auto: false }, y: { range: (_u, low, high) => around(low, high, scale) } },
    axes: [
      { ...axis, size: 1.5 * rem, gap: 2, incrs: [60, 120, 300, 600], space: 5 * rem, values: (_u, at) => at.map(minuteOfDay) },
      { ...axis, size: 3.6 * rem, gap: 4, space: 2.2 * rem, values: (_u, at, _k, _s, step) => at.map((v) => figure(v, Math.min(decimals, Math.max(0, Math.ceil(-Math.log10(step)))))) },
    ],
    series: [{}, ...lines.map((line) => ({
      label: line.name, stroke: () => tone(line.tone), width: line.width, dash: line.dash, points: { show: false }, spanGaps: false,
    }))],
    hooks: { setCursor: [read] },
  };
}

// At least a tenth of the scale, so that noise does not fill the picture.
function around(low, high, scale) {
  if (low === null || high === null) return scale;
  const least = 0.1 * (scale[1] - scale[0]);
  const middle = (low + high) / 2;
  const half = Math.max(0.58 * (high - low), least / 2);
  return [middle - half, middle + half];
}
