// Findings as a person reads them: what, where, since when, what the loop is doing, what to check.

import { child, level, partsOf, say, show } from "./parts.js";
import { converted, digits, isPressure, pretty, units } from "./units.js";
import { LEVELS, addressOf, amount, capital, figure, lasting, listed, moment, plain, rank, seconds } from "./words.js";

// How evidence is called in words, where its name alone would puzzle.
const NAMES = {
  "electrical": "signal", "of span": "share of range", "reading": "it reads", "peers": "the others read",
  "shift": "off by", "witness": "told by", "setpoint": "set point", "error": "off the set point by", "at limit of time": "at its limit for",
  "samples per period": "readings a period", "in minutes": "within minutes", "wrong travel": "moved the wrong way by", "at wrong limit": "at the wrong limit for",
  "pressure": "we make of it", "combined": "we combine", "implied low": "as if scaled from", "implied high": "up to", "fits": "what fits", "cannot tell from": "looks the same as",
  "drift low": "at least", "drift high": "at most", "days to tolerance": "days until it leaves its tolerance",
};

// What tells this transducer from the others, in words.
const WITNESSES = {
  "vote": "the others agree among themselves", "fan off": "what it reads with the fan off", "moved first": "it moved first, the others only when the loop answered",
  "reads nothing": "it reads nothing at all", "fan speed": "the others fit the speed of the fan", "none": "nothing",
};

// What the fault does is said in the sentence beside it.
const EFFECTS = /^(true_combined|combined_error|loop_follows|door_force)/;

// What only the arithmetic of a detector means; other programs get it.
const INNER = new Set(["loads", "regularity", "correlation"]);

// How sure the line through the minutes is: for whoever asks, not at the first look.
const WORKINGS = /^(gain|offset_|movement_|minutes$)/;

// Evidence that several faults share, and the one that it tells something of.
const OWN = { "excursions_in_ten": "spikes", "largest": "spikes", "top": "flat-top" };

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
  say(parts.signature, view.signature);
  say(parts.consequence, pretty(view.consequence));
  say(parts.check, pretty(view.next_check).replace(" Expect: ", "\nExpect: "));
  const finest = step(view.evidence);
  for (const [name, value] of Object.entries(view.evidence)) {
    if (EFFECTS.test(name) || INNER.has(name) || (OWN[stemOf(name)] ?? view.fault) !== view.fault) continue;
    if (name === "cannot_tell_from" && value === "none") continue;
    const [words, text] = evidence(name, value, finest);
    const item = child(WORKINGS.test(name) ? parts.workings : parts.evidence, "span", `${capital(NAMES[words] || words)} `);
    child(item, "b", text);
  }
  // It stays as it was while the values beside it go on: a fault that is mended needs minutes to go.
  show(parts.then, parts.evidence.childElementCount > 0);
  const sure = `Confidence ${Math.round(100 * view.confidence)} %.`;
  const rivals = view.rivals.map(plain);
  say(parts.rivals, rivals.length ? `${sure} It could also be: ${listed(rivals)}.` : sure);
  node.querySelector("details").open = roomy.matches;
  return { node, parts };
}

const stemOf = (name) => (unitOf(name) ? name.slice(0, -unitOf(name).length - 1) : name);
const unitOf = (name) => units.find((u) => name.endsWith(`_${u}`)) || "";

// Digits after the point of pressures: a thousandth of the largest.
function step(evidence) {
  const sizes = Object.entries(evidence).filter(([name, value]) => typeof value === "number" && isPressure(unitOf(name)));
  const largest = Math.max(...sizes.map(([name, value]) => Math.abs(converted(value, unitOf(name))[0])), 0);
  return largest ? digits(largest) : null;
}

// "percent_of_span" has no unit at its end, "electrical_mA" has one.
function evidence(name, value, finest) {
  const unit = unitOf(name);
  const share = name.includes("percent") && typeof value === "number";
  if (share) return [name.replace(/_?percent_?/, "_").replaceAll("_", " ").trim(), `${amount(value)} %`];
  const stem = stemOf(name).replaceAll("_", " ");
  if (typeof value !== "number") return [stem, stem === "witness" ? WITNESSES[value] || value : value];
  if (!unit) return [stem, amount(value)];
  if (!isPressure(unit)) return [stem, `${["mA", "V"].includes(unit) ? figure(value, 2) : amount(value)} ${unit}`];
  const [size, shown] = converted(value, unit);
  return [stem, `${finest === null || stem.startsWith("drift") ? amount(size) : figure(size, finest)} ${shown}`];
}
