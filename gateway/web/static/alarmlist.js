// Alarms that ask for attention, each with what it explains folded under it.

import { buttons } from "./deeds.js";
import { child, level, partsOf, say, show } from "./parts.js";
import { pretty } from "./units.js";
import { LEVELS, addressOf, capital, lasting, many, moment, seconds } from "./words.js";

const pattern = document.getElementById("alarm");
const STATES = {
  "active unacknowledged": "Not acknowledged",
  "active acknowledged": "Acknowledged",
  "returned unacknowledged": "Over, not acknowledged",
  "latched unacknowledged": "Over, held until reset, not acknowledged",
  "latched acknowledged": "Over, held until reset",
};

export const at = (view) => `${pretty(view.message)} at ${view.subject}`;

export function alarmList(box) {
  const shown = new Map();

  // views: every alarm that is not at rest.
  function update(views) {
    const known = new Map(views.map((view) => [view.id, view]));
    const open = views.filter((view) => view.shown);
    const ids = new Set(open.map((view) => view.id));
    for (const [id, card] of shown) {
      if (!ids.has(id)) {
        card.node.remove();
        shown.delete(id);
      }
    }
    open.forEach((view, k) => {
      if (!shown.has(view.id)) shown.set(view.id, made(view));
      const { node } = shown.get(view.id);
      if (box.children[k] !== node) box.insertBefore(node, box.children[k] || null);
      fill(shown.get(view.id), view, known);
    });
    return open;
  }

  function tick(now) {
    for (const { parts, view } of shown.values()) {
      const since = seconds(view.onset);
      say(parts.since, moment(since, now));
      say(parts.lasts, view.active ? `(${lasting(now - since)})` : `to ${moment(seconds(view.changed), now)}`);
    }
  }

  return { update, tick };
}

function made(view) {
  const node = pattern.content.firstElementChild.cloneNode(true);
  const parts = partsOf(node);
  node.dataset.alarm = view.id;
  parts.title.id = `alarm-${view.id}`;
  node.setAttribute("aria-labelledby", parts.title.id);
  say(parts.subject, view.subject);
  say(parts.where, view.where ? `, ${view.where}` : "");
  const others = view.kind === "loop" ? [] : view.loops;
  show(parts.loops, view.loops.length === 1);
  parts.loops.href = addressOf("loop", view.loops[0]);
  say(parts.loops, others.length ? `Live values of ${view.loop_names[0]}` : "Live values");
  return { node, parts, view };
}

function fill(card, view, known) {
  const { node, parts } = card;
  card.view = view;
  level(node, LEVELS[view.status]);
  node.toggleAttribute("data-waits", !view.acknowledged);
  node.dataset.priority = view.priority;
  say(parts.title, pretty(view.message));
  say(parts.priority, `${capital(view.priority)} priority`);
  say(parts.status, capital(view.status));
  say(parts.state, STATES[view.state] || view.state);
  parts.since.dateTime = view.onset;
  say(parts.consequence, pretty(view.consequence));
  show(parts.consequence.parentElement, Boolean(view.consequence));
  say(parts.check, pretty(view.next_check).replace(" Expect: ", "\nExpect: "));
  under(parts, view, known);
  buttons(parts.deeds, deedsOf(view));
}

function under(parts, view, known) {
  show(parts.under, view.consequences.length > 0);
  say(parts.count, `Explains ${many(view.consequences.length, "other alarm")}`);
  const lines = view.consequences.map((one) => {
    const onset = known.get(one.id)?.onset;
    const when = one.active ? (onset ? `since ${moment(seconds(onset), Date.now() / 1000)}` : "stands") : "over";
    return `${at(one)}, ${when}`;
  });
  if (parts.list.dataset.said === lines.join("\n")) return;
  parts.list.dataset.said = lines.join("\n");
  parts.list.replaceChildren();
  for (const line of lines) child(parts.list, "li", line);
}

function deedsOf(view) {
  const about = at(view);
  const path = (word) => `alarms/${encodeURIComponent(view.id)}/${word}`;
  const deeds = [];
  if (view.actions.includes("acknowledge")) {
    deeds.push({ button: "Acknowledge", title: "Acknowledge", about, path: path("acknowledge"), needs: "", onset: view.onset, said: `Acknowledged: ${about}` });
  }
  if (view.actions.includes("reset")) {
    deeds.push({ button: "Reset", title: "Reset", about, path: path("reset"), needs: "", said: `Reset: ${about}` });
  }
  if (view.actions.includes("shelve")) {
    deeds.push({ button: "Shelve", title: "Shelve: out of sight for a time", about, path: path("shelve"), needs: "shelve", said: `Shelved: ${about}` });
  }
  if (view.kind === "transducer" || view.kind === "loop") deeds.push(outOf(view.kind, view.subject));
  return deeds;
}

export function outOf(kind, subject) {
  return {
    button: "Take out of service",
    short: subject ? `Take ${subject} out of service` : "",
    title: "Take out of service: status function check",
    about: subject ? `${capital(kind)} ${subject}, with all its alarms` : "A transducer or a loop, with all its alarms",
    path: subject ? `${kind}s/${subject}/out-of-service` : (chosen) => `${chosen}/out-of-service`,
    needs: "out",
    said: (chosen) => `Out of service: ${subject || chosen.split("/")[1]}`,
  };
}
