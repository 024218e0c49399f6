// What is shown, and where on the axes it is written. The page's scripts are one module, in the
// order: scale, draw, chart, plot.
const data = JSON.parse(document.getElementById("data").textContent);
const time = data.time;
const whole = time.length ? [time[0], time[time.length - 1] + data.width] : [0, 1];
let view = [...whole];

const STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200,
  86400, 172800, 604800, 1209600, 2592000, 7776000, 31536000];

const clock = (s, parts) => new Date(s * 1000).toISOString().replace("T", " ").slice(...parts);
const stamp = (s) => clock(s, [0, 19]);

// Where to write a time, and how much of it.
function timeMarks(width) {
  const most = Math.max(2, Math.floor(width / 110));
  const step = STEPS.find((s) => (view[1] - view[0]) / s <= most) || STEPS[STEPS.length - 1];
  const parts = step < 60 ? [11, 19] : step < 86400 ? [11, 16] : [0, 10];
  const marks = [];
  let day = "";
  for (let s = Math.ceil(view[0] / step) * step; s <= view[1]; s += step) {
    const today = clock(s, [5, 10]);
    const text = step < 86400 && today !== day ? today + " " + clock(s, parts) : clock(s, parts);
    marks.push([s, text]);
    day = today;
  }
  return marks;
}

function valueMarks(low, high) {
  const rough = (high - low) / 5;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = power * [1, 2, 5, 10].find((m) => m * power >= rough);
  const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const marks = [];
  for (let v = Math.ceil(low / step) * step; v <= high; v += step) marks.push([v, v.toFixed(digits)]);
  return marks;
}

// The first bucket that ends after s.
function firstFrom(s) {
  let low = 0, high = time.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (time[middle] + data.width <= s) low = middle + 1; else high = middle;
  }
  return low;
}

// The usual pace of the rows: a pause of three of them is a gap.
const pace = (() => {
  const steps = [];
  for (let n = 1; n < time.length; n++) steps.push(time[n] - time[n - 1]);
  steps.sort((a, b) => a - b);
  return steps.length ? steps[steps.length >> 1] : 1;
})();

// Spans that overlap go into lanes of their own, below the curves.
function lanesOf(findings) {
  const ends = [];
  return findings.map((f) => {
    let lane = ends.findIndex((end) => end <= f.from);
    if (lane < 0) lane = ends.length;
    ends[lane] = f.to;
    return lane;
  });
}

// The series' least and greatest value in view, with some room.
function valueRange(loop, hidden, from, to) {
  let low = Infinity, high = -Infinity;
  loop.series.forEach((series, k) => {
    if (hidden.has(k)) return;
    for (let n = from; n < to; n++) {
      if (series.low[n] !== null && series.low[n] < low) low = series.low[n];
      if (series.high[n] !== null && series.high[n] > high) high = series.high[n];
    }
  });
  if (!(low <= high)) { low = 0; high = 1; }
  const room = (high - low) * 0.05 || Math.abs(high) * 0.05 || 1;
  return [low - room, high + room];
}
