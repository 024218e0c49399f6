"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const time = data.time;
  const whole = time.length ? [time[0], time[time.length - 1] + data.width] : [0, 1];
  let view = [...whole];
  const charts = [];
  const STATUS = {
    "failure": "--failure", "function check": "--check",
    "out of specification": "--spec", "maintenance required": "--maintenance",
  };
  const NAMED = { "combined": "--combined", "feedback": "--feedback", "set point": "--setpoint" };
  const LEFT = 62, RIGHT = 12, BOTTOM = 26, LANE = 21, PLOT = 250;

  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const clock = (s, parts) => new Date(s * 1000).toISOString().replace("T", " ").slice(...parts);
  const stamp = (s) => clock(s, [0, 19]);
  const make = (kind, text, parent) => {
    const node = document.createElement(kind);
    if (text) node.textContent = text;
    if (parent) parent.append(node);
    return node;
  };

  const STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200,
    86400, 172800, 604800, 1209600, 2592000, 7776000, 31536000];

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

  const firstFrom = (s) => {
    let low = 0, high = time.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (time[middle] + data.width <= s) low = middle + 1; else high = middle;
    }
    return low;
  };

  // Spans that overlap go into lanes of their own, below the curves.
  function lanes(findings) {
    const ends = [];
    return findings.map((f) => {
      let lane = ends.findIndex((end) => end <= f.from);
      if (lane < 0) lane = ends.length;
      ends[lane] = f.to;
      return lane;
    });
  }

  class Chart {
    constructor(loop, parent) {
      this.loop = loop;
      this.hidden = new Set();
      this.drag = null;
      const section = make("section", "", parent);
      make("h2", loop.name + " (" + loop.unit + ")", section);
      this.legend(section);
      this.canvas = make("canvas", "", section);
      this.canvas.setAttribute("role", "img");
      this.canvas.setAttribute("aria-label", loop.name + ": pressures over time; findings below");
      this.at = make("p", "", section);
      this.at.className = "at";
      this.lanes = lanes(loop.findings);
      this.depth = Math.max(0, ...this.lanes.map((lane) => lane + 1));
      this.list(section);
      this.listen();
    }

    colourOf(k) {
      const name = this.loop.series[k].name;
      return colour(NAMED[name] || "--line-" + (k % 5));
    }

    legend(section) {
      const box = make("div", "", section);
      box.className = "legend";
      this.loop.series.forEach((series, k) => {
        const label = make("label", "", box);
        const tick = make("input", "", label);
        tick.type = "checkbox";
        tick.checked = true;
        tick.addEventListener("change", () => {
          if (tick.checked) this.hidden.delete(k); else this.hidden.add(k);
          this.draw();
        });
        make("i", "", label).style.background = `var(${NAMED[series.name] || "--line-" + (k % 5)})`;
        label.append(series.name);
      });
    }

    list(section) {
      if (!this.loop.findings.length) {
        make("p", "Nothing was found in this loop.", section).className = "none";
        return;
      }
      const table = make("table", "", section);
      const head = make("tr", "", make("thead", "", table));
      ["Raised", "Cleared", "Subject", "Finding", "Status"].forEach((text) => make("th", text, head).scope = "col");
      const body = make("tbody", "", table);
      for (const f of this.loop.findings) {
        const row = make("tr", "", body);
        row.className = "jump";
        row.tabIndex = 0;
        make("td", stamp(f.from), row);
        make("td", f.open ? "still stands" : stamp(f.to), row);
        make("td", f.subject, row);
        make("td", f.title, row);
        const status = make("td", "", row);
        const mark = make("span", "", status);
        mark.className = "mark";
        mark.style.background = `var(${STATUS[f.status] || "--dim"})`;
        status.append(f.status);
        const jump = () => {
          const around = Math.max(20 * data.width, (f.to - f.from) / 4, 60);
          look(f.from - around, f.to + around);
        };
        row.addEventListener("click", jump);
        row.addEventListener("keydown", (event) => { if (event.key === "Enter") jump(); });
      }
    }

    x(s) { return LEFT + (s - view[0]) / (view[1] - view[0]) * (this.width - LEFT - RIGHT); }

    s(x) { return view[0] + (x - LEFT) / (this.width - LEFT - RIGHT) * (view[1] - view[0]); }

    y(v) { return 8 + (this.high - v) / (this.high - this.low) * (PLOT - 8); }

    draw() {
      const ratio = window.devicePixelRatio || 1;
      this.width = this.canvas.clientWidth;
      const height = PLOT + BOTTOM + this.depth * LANE;
      this.canvas.style.height = height + "px";
      this.canvas.width = Math.round(this.width * ratio);
      this.canvas.height = Math.round(height * ratio);
      const pen = this.pen = this.canvas.getContext("2d");
      pen.scale(ratio, ratio);
      pen.font = "12px system-ui, sans-serif";
      this.from = firstFrom(view[0]);
      this.to = Math.min(time.length, firstFrom(view[1]) + 1);
      this.range();
      this.axes();
      pen.save();
      pen.beginPath();
      pen.rect(LEFT, 0, this.width - LEFT - RIGHT, height);
      pen.clip();
      this.spans(height);
      // Feedback lies below: it should be hidden by the combined pressure, unless they differ.
      const order = this.loop.series.map((_, k) => k);
      order.sort((a, b) => (this.loop.series[b].name === "feedback") - (this.loop.series[a].name === "feedback"));
      for (const k of order) if (!this.hidden.has(k)) this.curve(this.loop.series[k], k);
      pen.restore();
      if (this.drag) {
        pen.fillStyle = colour("--dim");
        pen.globalAlpha = 0.25;
        pen.fillRect(this.drag[0], 0, this.drag[1] - this.drag[0], PLOT);
        pen.globalAlpha = 1;
      }
    }

    range() {
      let low = Infinity, high = -Infinity;
      this.loop.series.forEach((series, k) => {
        if (this.hidden.has(k)) return;
        for (let n = this.from; n < this.to; n++) {
          if (series.low[n] !== null && series.low[n] < low) low = series.low[n];
          if (series.high[n] !== null && series.high[n] > high) high = series.high[n];
        }
      });
      if (!(low <= high)) { low = 0; high = 1; }
      const room = (high - low) * 0.05 || Math.abs(high) * 0.05 || 1;
      this.low = low - room;
      this.high = high + room;
    }

    axes() {
      const pen = this.pen;
      pen.strokeStyle = colour("--grid");
      pen.fillStyle = colour("--dim");
      pen.lineWidth = 1;
      pen.textAlign = "right";
      pen.textBaseline = "middle";
      for (const [v, text] of valueMarks(this.low, this.high)) {
        pen.beginPath();
        pen.moveTo(LEFT, this.y(v));
        pen.lineTo(this.width - RIGHT, this.y(v));
        pen.stroke();
        pen.fillText(text, LEFT - 6, this.y(v));
      }
      pen.textAlign = "center";
      pen.textBaseline = "top";
      for (const [s, text] of timeMarks(this.width - LEFT - RIGHT)) {
        pen.beginPath();
        pen.moveTo(this.x(s), 8);
        pen.lineTo(this.x(s), PLOT);
        pen.stroke();
        const half = pen.measureText(text).width / 2;
        pen.fillText(text, Math.min(this.x(s), this.width - half - 1), PLOT + 7);
      }
      pen.strokeStyle = colour("--edge");
      pen.strokeRect(LEFT, 8, this.width - LEFT - RIGHT, PLOT - 8);
    }

    spans(height) {
      const pen = this.pen;
      this.loop.findings.forEach((f, k) => {
        if (f.to < view[0] || f.from > view[1]) return;
        const left = this.x(f.from), width = Math.max(2, this.x(f.to) - left);
        const top = PLOT + BOTTOM + this.lanes[k] * LANE;
        pen.fillStyle = colour(STATUS[f.status] || "--dim");
        pen.globalAlpha = 0.1;
        pen.fillRect(left, 8, width, PLOT - 8);
        pen.globalAlpha = 1;
        pen.fillRect(left, 8, 1, PLOT - 8);
        pen.fillRect(left, top + 1, width, 3);
        pen.textAlign = "left";
        pen.textBaseline = "top";
        const text = f.fault + " " + f.subject;
        const room = this.width - RIGHT - pen.measureText(text).width - 3;
        const next = this.after(k);
        const x = Math.max(LEFT + 3, Math.min(left + 2, room));
        pen.save();
        pen.beginPath();
        pen.rect(LEFT, top, Math.max(0, next - LEFT - 4), LANE);
        pen.clip();
        pen.fillText(text, x, top + 5);
        pen.restore();
      });
    }

    // Where the next span in the same lane begins: a label must not run into it.
    after(k) {
      const next = this.loop.findings.findIndex((_, j) => j > k && this.lanes[j] === this.lanes[k]);
      return next < 0 ? this.width - RIGHT + 4 : this.x(this.loop.findings[next].from);
    }

    curve(series, k) {
      const pen = this.pen, ink = this.colourOf(k);
      const gap = 3 * this.usual();
      let run = [];
      const flush = () => {
        if (run.length) this.stretch(series, run, ink);
        run = [];
      };
      for (let n = Math.max(0, this.from - 1); n < this.to; n++) {
        if (series.mean[n] === null) { flush(); continue; }
        if (run.length && time[n] - time[run[run.length - 1]] > gap) flush();
        run.push(n);
      }
      flush();
    }

    // The usual pace of the rows: a pause of three of them is a gap.
    usual() {
      if (this.pace === undefined) {
        const steps = [];
        for (let n = 1; n < time.length; n++) steps.push(time[n] - time[n - 1]);
        steps.sort((a, b) => a - b);
        this.pace = steps.length ? steps[steps.length >> 1] : 1;
      }
      return this.pace;
    }

    stretch(series, run, ink) {
      const pen = this.pen, half = data.width > 1 ? data.width / 2 : 0;
      pen.fillStyle = pen.strokeStyle = ink;
      pen.globalAlpha = 0.18;
      pen.beginPath();
      run.forEach((n) => pen.lineTo(this.x(time[n] + half), this.y(series.high[n])));
      run.slice().reverse().forEach((n) => pen.lineTo(this.x(time[n] + half), this.y(series.low[n])));
      pen.fill();
      pen.globalAlpha = 1;
      pen.lineWidth = { "set point": 1, "combined": 1, "feedback": 3.5 }[series.name] || 1.4;
      pen.setLineDash(series.name === "set point" ? [6, 4] : []);
      pen.beginPath();
      run.forEach((n) => pen.lineTo(this.x(time[n] + half), this.y(series.mean[n])));
      pen.stroke();
      pen.setLineDash([]);
      if (run.length === 1) pen.fillRect(this.x(time[run[0]] + half) - 1, this.y(series.mean[run[0]]) - 1, 2, 2);
    }

    listen() {
      const place = (event) => {
        const x = event.clientX - this.canvas.getBoundingClientRect().left;
        return Math.min(this.width - RIGHT, Math.max(LEFT, x));
      };
      this.canvas.addEventListener("pointerdown", (event) => {
        if (event.button !== 0) return;
        this.drag = [place(event), place(event)];
        this.canvas.setPointerCapture(event.pointerId);
      });
      this.canvas.addEventListener("pointermove", (event) => {
        this.tell(this.s(place(event)));
        if (this.drag) { this.drag[1] = place(event); this.draw(); }
      });
      this.canvas.addEventListener("pointerup", () => {
        if (!this.drag) return;
        const [a, b] = this.drag.map((x) => this.s(x));
        const far = Math.abs(this.drag[1] - this.drag[0]) > 5;
        this.drag = null;
        if (far) look(Math.min(a, b), Math.max(a, b)); else this.draw();
      });
      this.canvas.addEventListener("pointercancel", () => { this.drag = null; this.draw(); });
      this.canvas.addEventListener("pointerleave", () => { this.at.textContent = ""; });
      this.canvas.addEventListener("dblclick", () => look(...whole));
    }

    tell(s) {
      if (!time.length) return;
      const n = Math.min(time.length - 1, firstFrom(s));
      const figures = this.loop.series
        .filter((series) => series.mean[n] !== null)
        .map((series) => {
          const spread = series.low[n] !== series.high[n] ? ` (${series.low[n]} to ${series.high[n]})` : "";
          return series.name + " " + series.mean[n] + spread;
        });
      const found = this.loop.findings.filter((f) => f.from <= s && s <= f.to)
        .map((f) => f.fault + " " + f.subject);
      this.at.textContent = [stamp(time[n]), ...figures, ...found].join(", ");
    }
  }

  function look(from, to) {
    const least = Math.max(5 * data.width, 5);
    const a = Math.max(whole[0], from), b = Math.min(whole[1], to);
    view = b - a >= least ? [a, b] : [Math.max(whole[0], (a + b - least) / 2), (a + b + least) / 2];
    document.getElementById("all").disabled = view[0] === whole[0] && view[1] === whole[1];
    for (const chart of charts) chart.draw();
  }

  const parent = document.getElementById("loops");
  document.getElementById("span").textContent = time.length
    ? `${stamp(whole[0])} to ${stamp(time[time.length - 1])} UTC`
    : "No rows in this time.";
  for (const loop of data.loops) charts.push(new Chart(loop, parent));
  if (data.elsewhere.length) {
    const section = make("section", "", parent);
    make("h2", "Outside the loops", section);
    for (const f of data.elsewhere) make("p", stamp(f.from) + " " + f.title, section);
  }
  document.getElementById("all").addEventListener("click", () => look(...whole));
  window.addEventListener("resize", () => charts.forEach((chart) => chart.draw()));
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    charts.forEach((chart) => chart.draw());
  });
  look(...whole);
})();
