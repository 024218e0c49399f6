// One loop: legend, curves, and the list of what was found. `look(from, to)` shows another span of
// time in all charts.
const make = (kind, text, parent) => {
  const node = document.createElement(kind);
  if (text) node.textContent = text;
  if (parent) parent.append(node);
  return node;
};

class Chart {
  constructor(loop, parent, look) {
    this.loop = loop;
    this.hidden = new Set();
    this.drag = null;
    const section = make("section", "", parent);
    section.dataset.loop = loop.id;
    make("h2", loop.name + " (" + loop.unit + ")", section);
    addLegend(this, section);
    this.canvas = make("canvas", "", section);
    this.canvas.setAttribute("role", "img");
    this.canvas.setAttribute("aria-label", loop.name + ": pressures over time; findings below");
    this.at = make("p", "", section);
    this.at.className = "at";
    this.lanes = lanesOf(loop.findings);
    this.depth = Math.max(0, ...this.lanes.map((lane) => lane + 1));
    addList(loop, section, look);
    listen(this, look);
  }

  draw() {
    const ratio = window.devicePixelRatio || 1;
    const width = this.width = this.canvas.clientWidth;
    const height = PLOT + BOTTOM + this.depth * LANE;
    this.canvas.style.height = height + "px";
    this.canvas.width = Math.round(width * ratio);
    this.canvas.height = Math.round(height * ratio);
    const pen = this.canvas.getContext("2d");
    pen.scale(ratio, ratio);
    pen.font = "12px system-ui, sans-serif";
    const from = firstFrom(view[0]), to = Math.min(time.length, firstFrom(view[1]) + 1);
    const [low, high] = valueRange(this.loop, this.hidden, from, to);
    const at = { pen, width, height, from, to, low, high };
    drawAxes(at);
    pen.save();
    pen.beginPath();
    pen.rect(LEFT, 0, width - LEFT - RIGHT, height);
    pen.clip();
    drawSpans(at, this.loop.findings, this.lanes);
    for (const k of this.order()) if (!this.hidden.has(k)) drawSeries(at, this.loop.series[k], k);
    pen.restore();
    if (this.drag) {
      pen.fillStyle = colour("--dim");
      pen.globalAlpha = 0.25;
      pen.fillRect(this.drag[0], 0, this.drag[1] - this.drag[0], PLOT);
    }
  }

  // Feedback lies below: it should be hidden by the combined pressure, unless they differ.
  order() {
    const below = (k) => (this.loop.series[k].name === "feedback" ? 1 : 0);
    return this.loop.series.map((_, k) => k).sort((a, b) => below(b) - below(a));
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

function addLegend(chart, section) {
  const box = make("div", "", section);
  box.className = "legend";
  chart.loop.series.forEach((series, k) => {
    const label = make("label", "", box);
    const tick = make("input", "", label);
    tick.type = "checkbox";
    tick.checked = true;
    tick.addEventListener("change", () => {
      if (tick.checked) chart.hidden.delete(k); else chart.hidden.add(k);
      chart.draw();
    });
    make("i", "", label).style.background = `var(${inkOf(series, k)})`;
    label.append(series.name);
  });
}

function addList(loop, section, look) {
  if (!loop.findings.length) {
    make("p", "Nothing was found in this loop.", section).className = "none";
    return;
  }
  const table = make("table", "", section);
  const head = make("tr", "", make("thead", "", table));
  for (const text of ["Raised", "Cleared", "Subject", "Finding", "Status"]) make("th", text, head).scope = "col";
  const body = make("tbody", "", table);
  for (const f of loop.findings) {
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
    mark.style.background = `var(${statusInk(f)})`;
    status.append(f.status);
    const jump = () => {
      const around = Math.max(20 * data.width, (f.to - f.from) / 4, 60);
      look(f.from - around, f.to + around);
    };
    row.addEventListener("click", jump);
    row.addEventListener("keydown", (event) => { if (event.key === "Enter") jump(); });
  }
}

// Drag across to look closer; move to read the values.
function listen(chart, look) {
  const canvas = chart.canvas;
  const place = (event) => {
    const x = event.clientX - canvas.getBoundingClientRect().left;
    return Math.min(chart.width - RIGHT, Math.max(LEFT, x));
  };
  canvas.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    chart.drag = [place(event), place(event)];
    canvas.setPointerCapture(event.pointerId);
  });
  canvas.addEventListener("pointermove", (event) => {
    chart.tell(secondsOf(chart, place(event)));
    if (chart.drag) { chart.drag[1] = place(event); chart.draw(); }
  });
  canvas.addEventListener("pointerup", () => {
    if (!chart.drag) return;
    const [a, b] = chart.drag.map((x) => secondsOf(chart, x));
    const far = Math.abs(chart.drag[1] - chart.drag[0]) > 5;
    chart.drag = null;
    if (far) look(Math.min(a, b), Math.max(a, b)); else chart.draw();
  });
  canvas.addEventListener("pointercancel", () => { chart.drag = null; chart.draw(); });
  canvas.addEventListener("pointerleave", () => { chart.at.textContent = ""; });
  canvas.addEventListener("dblclick", () => look(...whole));
}
