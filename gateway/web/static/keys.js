// The key of a plot as a table: each line with its value at the pointer, lowest, mean and highest.

import { child, say } from "./parts.js";
import { sample } from "./plot.js";
import { figure } from "./words.js";

const COLUMNS = ["at pointer", "lowest", "mean", "highest"];

export function keys(box, panel, changed) {
  const table = child(box, "table", undefined, "keys");
  child(table, "caption", panel.label);
  const head = child(child(table, "thead"), "tr");
  for (const name of ["Shown", ...COLUMNS]) {
    const cell = child(head, "th", name, name === "Shown" ? "" : "num");
    cell.scope = "col";
  }
  const body = child(table, "tbody");
  const rows = panel.lines.map((line) => row(body, line, changed));

  function fill(columns) {
    rows.forEach(({ node, cells }, k) => {
      const { low, mean, high } = extent(columns[k]);
      node.hidden = low === null && panel.lines[k].optional;
      [low, mean, high].forEach((value, n) => say(cells[n + 1], figure(value, panel.decimals)));
    });
  }

  function point(columns, at) {
    rows.forEach(({ cells }, k) => say(cells[0], at === null ? "" : figure(columns[k].mean[at] ?? null, panel.decimals)));
  }

  return { fill, point };
}

function row(body, line, changed) {
  const node = child(body, "tr");
  const name = child(node, "th");
  name.scope = "row";
  const label = child(name, "label");
  const box = child(label, "input");
  box.type = "checkbox";
  box.checked = !line.hidden;
  box.addEventListener("change", () => {
    line.hidden = !box.checked;
    changed();
  });
  sample(label, line);
  child(label, "span", line.name);
  return { node, cells: COLUMNS.map(() => child(node, "td", "–", "num")) };
}

function extent({ mean, min, max, count }) {
  let [low, high, sum, n] = [null, null, 0, 0];
  for (let k = 0; k < mean.length; k += 1) {
    if (mean[k] === null) continue;
    const [least, most] = [min ? min[k] : mean[k], max ? max[k] : mean[k]];
    if (low === null || least < low) low = least;
    if (high === null || most > high) high = most;
    const weight = count ? count[k] : 1;
    sum += weight * mean[k];
    n += weight;
  }
  return { low, high, mean: n ? sum / n : null };
}
