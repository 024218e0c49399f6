// What people, or a rule, have set aside: shelved, out of service, suppressed by design.

import { at } from "./alarmlist.js";
import { buttons } from "./deeds.js";
import { child, show } from "./parts.js";
import { alarmName, capital, lasting, listed, many, moment, seconds } from "./words.js";

const RULES = { "fan off": "the fan stands, or was just started" };

export function asides(section) {
  const list = (name) => rows(section.querySelector(`[data-f=${name}]`));
  const shelved = list("shelved");
  const out = list("out");
  const ruled = list("ruled");

  return (views, services, now) => {
    const held = views.filter((view) => view.state === "shelved");
    shelved(held.map((view) => ({ id: view.id, what: at(view), more: explains(view), hold: view.shelved, deed: unshelve(view) })), now);
    out(services.map((one) => ({ id: `${one.kind} ${one.subject}`, what: capital(`${one.kind} ${one.subject}`), more: along(one), hold: one, deed: back(one) })), now);
    const rule = views.filter((view) => view.state === "suppressed by design" && !view.cause);
    ruled(rule.map((view) => ({ id: view.id, what: at(view), more: `Suppressed by design: ${RULES[view.suppressed_by] || view.suppressed_by}` })), now);
  };
}

// Rows of one list, made anew only when their words change.
function rows(box) {
  const body = box.querySelector("ul");
  const shown = new Map();

  return (items, now) => {
    show(box, items.length > 0);
    const ids = new Set(items.map((item) => item.id));
    for (const [id, node] of shown) {
      if (!ids.has(id)) {
        node.remove();
        shown.delete(id);
      }
    }
    items.forEach((item, k) => {
      const said = JSON.stringify([item.what, item.more, item.hold]);
      const before = shown.get(item.id);
      if (before && before.dataset.said !== said) before.remove();
      if (!before || before.dataset.said !== said) shown.set(item.id, row(item, said));
      const node = shown.get(item.id);
      if (body.children[k] !== node) body.insertBefore(node, body.children[k] || null);
      const until = node.querySelector("[data-until]");
      if (until) until.textContent = `${moment(Number(until.dataset.until), now)} (in ${lasting(Number(until.dataset.until) - now)})`;
    });
  };
}

function row({ id, what, more, hold, deed }, said) {
  const node = document.createElement("li");
  node.dataset.aside = id;
  node.dataset.said = said;
  child(node, "p", what, "what");
  if (more) child(node, "p", more, "about");
  if (hold) {
    const when = child(node, "p", `${hold.actor}: ${hold.reason}. Back by itself at `, "by");
    const until = child(when, "time");
    until.dateTime = hold.until;
    until.dataset.until = seconds(hold.until);
  }
  if (deed) buttons(child(node, "p", undefined, "deeds"), [deed]);
  return node;
}

const explains = (view) => (view.consequences.length ? `With ${many(view.consequences.length, "alarm")} that it explains` : "");

function along(one) {
  const parts = [];
  if (one.includes.length) parts.push(`With ${listed(one.includes, "and")}`);
  if (one.alarms.length) parts.push(`behind it ${listed(one.alarms.map(alarmName), "and")}`);
  return capital(parts.join("; "));
}

function unshelve(view) {
  return { button: "Bring back", title: "Bring back from the shelf", about: at(view), path: `alarms/${encodeURIComponent(view.id)}/unshelve`, needs: "", said: `Back: ${at(view)}` };
}

function back(one) {
  return { button: "Back in service", title: "Back in service: done and tested", about: capital(`${one.kind} ${one.subject}`), path: `${one.kind}s/${one.subject}/back-in-service`, needs: "", said: `Back in service: ${one.subject}` };
}
