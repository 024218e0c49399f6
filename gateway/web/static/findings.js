// Findings as a person reads them: what, where, since when, what the loop is doing, what to check.

import { child, level, partsOf, say } from "./parts.js";
import { converted, isPressure } from "./units.js";
import { LEVELS, addressOf, amount, capital, lasting, listed, moment, plain, rank, seconds } from "./words.js";

const units = (document.body.dataset.units || "").split(" ").sort((a, b) => b.length - a.length);

const pattern = document.getElementById("finding");
const roomy = window.matchMedia("(min-width: 62rem)");

export function findings(box) {
  const shown = new Map();

  // where: a place for each transducer's id, to be said beside it.
  return (views, now, where = {}) => {
    const open = new Set(views.map((view) => view.id));
    for (const [id, entry] of shown) {
      if (!open.has(id)) {
        entry.node.remove();
        shown.delete(id);
      }
    }
    const ordered = [...views].sort((a, b) => rank(LEVELS[a.status]) - rank(LEVELS[b.status]));
    ordered.forEach((view, k) => {
      if (!shown.has(view.id)) shown.set(view.id, made(view));
      const { node, parts } = shown.get(view.id);
      const place = where[view.transducer ?? view.subject];
      say(parts.where, place ? `, ${place}` : "");
      if (box.children[k] !== node) box.insertBefore(node, box.children[k] || null);
      const since = seconds(view.since);
      say(parts.since, moment(since, now));
      say(parts.lasts, `(${lasting(now - since)})`);
    });
  };
}

function made(view) {
  const node = pattern.content.firstElementChild.cloneNode(true);
  const parts = partsOf(node);
  node.dataset.finding = view.id;
  level(node, LEVELS[view.status]);
  say(parts.title, view.title);
  say(parts.status, capital(view.status));
  say(parts.subject, view.transducer && view.transducer !== view.subject ? `${view.subject}, ${view.transducer}` : view.subject);
  parts.subject.href = addressOf(view.kind, view.subject);
  parts.since.dateTime = view.since;
  say(parts.consequence, view.consequence);
  say(parts.check, view.next_check.replace(" Expect: ", "\nExpect: "));
  for (const [name, value] of Object.entries(view.evidence)) {
    const [label, text] = evidence(name, value);
    const item = child(parts.evidence, "span", `${capital(label)} `);
    child(item, "b", text);
  }
  const sure = `Confidence ${Math.round(100 * view.confidence)} %.`;
  const rivals = view.rivals.map(plain);
  say(parts.rivals, rivals.length ? `${sure} It could also be: ${listed(rivals)}.` : sure);
  node.querySelector("details").open = roomy.matches;
  return { node, parts };
}

// "percent_of_span" has no unit at its end, "electrical_mA" has one.
function evidence(name, value) {
  const unit = units.find((u) => name.endsWith(`_${u}`)) || "";
  const stem = (unit ? name.slice(0, -unit.length - 1) : name).replaceAll("_", " ");
  if (typeof value !== "number") return [stem, value];
  if (!unit) return [stem, amount(value)];
  const [size, label] = isPressure(unit) ? converted(value, unit) : [value, unit];
  return [stem, `${amount(size)} ${label}`];
}
