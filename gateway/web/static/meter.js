// What a meter at the terminals should read: now, and at the pressures that a technician applies.

import { child, say } from "./parts.js";
import { brief, capital, figure, raw } from "./words.js";

export function meter(section, chain, shown) {
  const table = section.querySelector("table");
  const unit = chain.electrical_unit;
  const digits = unit === "mA" ? 3 : 4;
  const shunt = chain.shunt_ohm !== null;
  const how = unit === "mA" ? "The current, with the meter in series" : "The voltage across the input’s terminals";
  const across = shunt ? `, or the volts across the shunt of ${brief(chain.shunt_ohm, 5)} Ω` : "";
  say(section.querySelector("#meter-how"), `${how}${across}. A healthy transducer may be off by ±${brief(chain.within, 2)} ${unit}; one step of the input is ${brief(chain.count, 2)} ${unit}.`);
  const names = ["At", `Pressure, ${shown.label}`, unit === "mA" ? "mA in series" : "V at the terminals", ...(shunt ? ["V across the shunt"] : []), "Counts"];
  const head = table.tHead.rows[0];
  head.replaceChildren();
  names.forEach((name, k) => {
    const cell = child(head, "th", name, k ? "num" : "");
    cell.scope = "col";
  });
  const body = table.tBodies[0];
  body.replaceChildren();
  const now = row("Now");
  now.node.classList.add("present");
  for (const point of chain.points) {
    const { cells } = row(`${capital(point.what)}${point.reaches ? "" : ", which the input does not reach"}`);
    fill(cells, point.pressure, point.electrical, point.shunt_V, point.counts);
  }

  return (view) => {
    const volts = shunt && view.electrical !== null ? (view.electrical * chain.shunt_ohm) / 1000 : null;
    fill(now.cells, view.value, view.electrical, volts, view.counts);
  };

  function row(name) {
    const node = child(body, "tr");
    child(node, "th", name).scope = "row";
    const cells = names.slice(1).map((label) => {
      const cell = child(node, "td", "–", "num");
      cell.dataset.label = label;
      return cell;
    });
    return { node, cells };
  }

  function fill(cells, value, electrical, volts, counts) {
    const texts = [shown.text(value), figure(electrical, digits), ...(shunt ? [figure(volts, 4)] : []), counts === null ? "–" : raw(counts)];
    texts.forEach((text, k) => say(cells[k], text));
  }
}
