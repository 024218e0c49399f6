// Strokes on a canvas. `at` is what a chart knows of its canvas: pen, width, height, low, high, and
// the buckets from and to that are in view.
const STATUS = {
  "failure": "--failure", "function check": "--check",
  "out of specification": "--spec", "maintenance required": "--maintenance",
};
const NAMED = { "combined": "--combined", "feedback": "--feedback", "set point": "--setpoint" };
const LEFT = 62, RIGHT = 12, TOP = 8, BOTTOM = 26, LANE = 21, PLOT = 250;

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
const inkOf = (series, k) => NAMED[series.name] || "--line-" + (k % 5);
const statusInk = (finding) => STATUS[finding.status] || "--dim";

const xOf = (at, s) => LEFT + (s - view[0]) / (view[1] - view[0]) * (at.width - LEFT - RIGHT);
const secondsOf = (at, x) => view[0] + (x - LEFT) / (at.width - LEFT - RIGHT) * (view[1] - view[0]);
const yOf = (at, v) => TOP + (at.high - v) / (at.high - at.low) * (PLOT - TOP);

function line(pen, x1, y1, x2, y2) {
  pen.beginPath();
  pen.moveTo(x1, y1);
  pen.lineTo(x2, y2);
  pen.stroke();
}

function drawAxes(at) {
  const pen = at.pen;
  pen.strokeStyle = colour("--grid");
  pen.fillStyle = colour("--dim");
  pen.lineWidth = 1;
  pen.textAlign = "right";
  pen.textBaseline = "middle";
  for (const [v, text] of valueMarks(at.low, at.high)) {
    line(pen, LEFT, yOf(at, v), at.width - RIGHT, yOf(at, v));
    pen.fillText(text, LEFT - 6, yOf(at, v));
  }
  pen.textAlign = "center";
  pen.textBaseline = "top";
  for (const [s, text] of timeMarks(at.width - LEFT - RIGHT)) {
    line(pen, xOf(at, s), TOP, xOf(at, s), PLOT);
    const half = pen.measureText(text).width / 2;
    pen.fillText(text, Math.min(xOf(at, s), at.width - half - 1), PLOT + 7);
  }
  pen.strokeStyle = colour("--edge");
  pen.strokeRect(LEFT, TOP, at.width - LEFT - RIGHT, PLOT - TOP);
}

function drawSpans(at, findings, lanes) {
  const pen = at.pen;
  findings.forEach((f, k) => {
    if (f.to < view[0] || f.from > view[1]) return;
    const left = xOf(at, f.from), width = Math.max(2, xOf(at, f.to) - left);
    const top = PLOT + BOTTOM + lanes[k] * LANE;
    pen.fillStyle = colour(statusInk(f));
    pen.globalAlpha = 0.1;
    pen.fillRect(left, TOP, width, PLOT - TOP);
    pen.globalAlpha = 1;
    pen.fillRect(left, TOP, 1, PLOT - TOP);
    pen.fillRect(left, top + 1, width, 3);
    label(at, f.fault + " " + f.subject, left, top, nextIn(at, findings, lanes, k));
  });
}

function label(at, text, left, top, end) {
  const pen = at.pen;
  pen.textAlign = "left";
  pen.textBaseline = "top";
  const room = at.width - RIGHT - pen.measureText(text).width - 3;
  pen.save();
  pen.beginPath();
  pen.rect(LEFT, top, Math.max(0, end - LEFT - 4), LANE);
  pen.clip();
  pen.fillText(text, Math.max(LEFT + 3, Math.min(left + 2, room)), top + 5);
  pen.restore();
}

// Where the next span in the same lane begins: a label must not run into it.
function nextIn(at, findings, lanes, k) {
  const next = findings.findIndex((_, j) => j > k && lanes[j] === lanes[k]);
  return next < 0 ? at.width - RIGHT + 4 : xOf(at, findings[next].from);
}

// A band from low to high with the mean on it, broken where nothing was read.
function drawSeries(at, series, k) {
  let run = [];
  const flush = () => {
    if (run.length) drawRun(at, series, run, colour(inkOf(series, k)));
    run = [];
  };
  for (let n = Math.max(0, at.from - 1); n < at.to; n++) {
    if (series.mean[n] === null) { flush(); continue; }
    if (run.length && time[n] - time[run[run.length - 1]] > 3 * pace) flush();
    run.push(n);
  }
  flush();
}

function drawRun(at, series, run, ink) {
  const pen = at.pen, half = data.width > 1 ? data.width / 2 : 0;
  const x = (n) => xOf(at, time[n] + half);
  pen.fillStyle = pen.strokeStyle = ink;
  pen.globalAlpha = 0.18;
  pen.beginPath();
  run.forEach((n) => pen.lineTo(x(n), yOf(at, series.high[n])));
  run.slice().reverse().forEach((n) => pen.lineTo(x(n), yOf(at, series.low[n])));
  pen.fill();
  pen.globalAlpha = 1;
  pen.lineWidth = { "set point": 1, "combined": 1, "feedback": 3.5 }[series.name] || 1.4;
  pen.setLineDash(series.name === "set point" ? [6, 4] : []);
  pen.beginPath();
  run.forEach((n) => pen.lineTo(x(n), yOf(at, series.mean[n])));
  pen.stroke();
  pen.setLineDash([]);
  if (run.length === 1) pen.fillRect(x(run[0]) - 1, yOf(at, series.mean[run[0]]) - 1, 2, 2);
}
