// What a loop or a transducer was, over any stretch of time: plots on one time axis, with what
// happened above them.

import { gestures } from "./gestures.js";
import { keys } from "./keys.js";
import { lanes } from "./lanes.js";
import { child, say } from "./parts.js";
import { plotOf } from "./plot.js";
import { range } from "./range.js";
import { recorded } from "./recorded.js";
import { between, fieldTime, fromField } from "./words.js";

const ROWS_UP_TO = 3600; // seconds shown up to which each new row is drawn at once
const AS_THEY_ARE = 1000; // seconds up to which every row is there anyhow
const SETTLES_MS = 180;

// panels: see plot.js; each line has `of(get)`: its { mean, min, max, count }, from get(name of a
// series). names: of all series; quality, running: of those whose quality and stops are marked.
// happened: query for what happened. interval: seconds a row.
export function timeline(root, { names, panels, quality, running, happened, interval }) {
  const part = (name) => root.querySelector(`[data-t=${name}]`);
  const form = part("form");
  if (!form || !window.uPlot) return { add() {}, outdated() {}, redraw() {}, changed() {} };
  const past = recorded(names, interval);
  const events = lanes(part("lanes"), part("detail"));
  const shown = range(changed);
  let now = Date.now() / 1000;
  let stale = true;
  let fetched = 0;
  let waiting = 0;
  let edition = null;
  let asked = 0;
  let refused = false; // times that were typed: said until others are chosen

  const drawings = panels.map((panel, n) => {
    if ("doubt" in panel) panel.doubt = () => past.data.series.get(quality);
    if ("stopped" in panel) panel.stopped = () => past.data.series.get(running).mean;
    const box = child(part("panels"), "figure", undefined, "panel");
    const title = child(box, "figcaption", panel.label);
    const canvas = child(box, "div", undefined, `canvas ${panel.key}`);
    canvas.setAttribute("role", "img");
    const key = keys(box, panel, draw);
    const drawing = { panel, key, canvas, columns: [], title };
    const told = {
      select: (from, to) => shown.between(from, to, now),
      point: (at) => drawings.forEach((one) => one.key.point(one.columns, at)),
    };
    drawing.plot = plotOf(panel, canvas, { sync: root.id, dated: n === 0 || n === panels.length - 1, told });
    return drawing;
  });

  // what: changes whenever something has happened.
  function add(time, values, what) {
    now = time;
    if (stale || (shown.live && now - fetched > again())) load();
    else if (shown.live && shown.span <= ROWS_UP_TO) past.add(time, values);
    if (shown.live) past.forget(now - shown.span - past.data.width);
    if (what !== edition) happenings(what);
    draw();
  }

  const again = () => (shown.span <= AS_THEY_ARE ? Infinity : Math.max(60, shown.span / 200));

  async function load() {
    stale = false;
    fetched = now;
    root.setAttribute("aria-busy", "true");
    const [from, to] = shown.ends(now);
    try {
      await past.load(from, shown.live ? to + 1 : to, part("panels").clientWidth);
      if (!refused) say(part("hint"), HINT);
      root.removeAttribute("aria-busy");
      draw();
    } catch (error) {
      if (error.name === "AbortError") return;
      stale = true; // again with the next row
      root.removeAttribute("aria-busy");
      say(part("hint"), `The history cannot be read now (${error.message}).`);
    }
  }

  async function happenings(number) {
    edition = number;
    asked += 1;
    const mine = asked; // an answer that comes late does not take the place of a later one
    const [from, to] = shown.ends(now);
    try {
      const answer = await fetch(`/api/v1/happenings?${happened}&from=${from.toFixed(3)}&to=${(to + (shown.live ? 3600 : 0)).toFixed(3)}`);
      if (!answer.ok) throw new Error(`answer ${answer.status}`);
      const found = await answer.json();
      if (mine !== asked) return;
      events.take(found);
      draw();
    } catch {
      if (mine === asked) edition = null; // with the next row
    }
  }

  function draw() {
    const ends = shown.ends(now);
    const get = (name) => past.data.series.get(name);
    for (const drawing of drawings) {
      drawing.columns = drawing.panel.lines.map((line) => line.of(get, past.data));
      drawing.plot.show(past.data.time, drawing.columns, ends);
      drawing.key.fill(drawing.columns);
      drawing.canvas.setAttribute("aria-label", `${drawing.panel.label}, ${between(...ends)}; figures in the table below`);
    }
    events.draw(ends);
    say(part("said"), between(...ends));
    mark();
  }

  function mark() {
    for (const one of form.elements.span) one.checked = shown.live && Number(one.value) === Math.round(shown.span);
    form.querySelector("[data-move=now]").setAttribute("aria-pressed", String(shown.live));
  }

  // The range has changed: what is there is drawn at once, the rest when fingers rest.
  function changed() {
    refused = false;
    draw();
    clearTimeout(waiting);
    waiting = setTimeout(() => {
      past.clear();
      load();
      happenings(edition);
      const [from, to] = shown.ends(now);
      form.elements.from.value = fieldTime(from);
      form.elements.to.value = fieldTime(to);
    }, SETTLES_MS);
  }

  const deeds = {
    back: () => shown.move(-0.5, now), forth: () => shown.move(0.5, now),
    closer: () => shown.zoom(0.5, now), wider: () => shown.zoom(2, now),
    now: () => shown.last(shown.span),
  };
  form.addEventListener("click", (event) => deeds[event.target.closest("[data-move]")?.dataset.move]?.());
  form.addEventListener("change", ({ target }) => {
    if (target.name === "span") shown.last(Number(target.value));
    if (target.name === "height") {
      panels.forEach((panel) => { panel.how = target.value; });
      draw();
    }
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const [from, to] = [form.elements.from.value, form.elements.to.value].map(fromField);
    if (to > from) shown.between(from, to, now);
    else {
      refused = true;
      say(part("hint"), "Choose two times, the first before the second.");
    }
  });
  gestures(part("panels"), { move: (by) => shown.move(by, now), zoom: (by) => shown.zoom(by, now), home: deeds.now });
  const [from, to] = shown.ends(now);
  form.elements.from.value = fieldTime(from);
  form.elements.to.value = fieldTime(to);

  return {
    add, draw,
    outdated: () => { stale = true; },
    redraw: () => drawings.forEach((one) => one.plot.redraw()),
  };
}

const HINT = "Drag over a plot to look closer. Bands reach from the lowest to the highest reading; where nothing was read there is a gap.";

// What is drawn of a series: as it is, in another unit. within: the ends between which a value may
// lie and be a pressure; what a bad input sends beyond them is none, and would squeeze the others.
export function line(name, look, { factor = 1, within = null } = {}) {
  return {
    tone: "--ink", dash: [], width: 1.5, band: true, ...look,
    of(get, data) {
      const mine = get(name);
      const raw = data.width === 0;
      const false_at = (value, k) => within && mine.quality[k] === "bad" && (raw || value * factor < within[0] || value * factor > within[1]);
      const part = (values) => values.map((value, k) => (value === null || false_at(value, k) ? null : value * factor));
      return { mean: part(mine.mean), min: part(mine.min), max: part(mine.max), count: mine.count, quality: mine.quality };
    },
  };
}

// At least a tenth of the span, so that noise does not fill the picture.
export function around(low, high, span) {
  if (low === null || high === null) return [0, span];
  const middle = (low + high) / 2;
  const half = Math.max(0.56 * (high - low), 0.05 * span);
  return [middle - half, middle + half];
}
