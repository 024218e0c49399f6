// Findings, alarms and what people did, above the plots and on their time axis.

import { child, mark, say } from "./parts.js";
import { findings } from "./findings.js";
import { LEVELS, lasting, moment } from "./words.js";

const MOST = 5; // lanes
const DEEDS = { "acknowledge": "acknowledged", "reset": "reset", "shelve": "shelved", "unshelve": "brought back", "remove from service": "taken out of service", "return to service": "back in service" };

export function lanes(box, detail) {
  let happened = { spells: [], deeds: [], whole: true };
  let chosen = "";
  let drawnAs = "";
  const told = child(detail, "div");
  const words = child(detail, "p");
  const show = findings(told);

  function draw([from, to]) {
    const span = to - from;
    const key = JSON.stringify([happened.spells.map((one) => [one.id, one.start, one.end]), happened.deeds.length, Math.round(from / (span / 400)), Math.round(span), chosen]);
    if (key === drawnAs) return;
    drawnAs = key;
    const focused = box.contains(document.activeElement) ? document.activeElement.dataset.spell : "";
    box.replaceChildren();
    const ends = [];
    const share = (time) => Math.min(1, Math.max(0, (time - from) / span));
    let over = 0;
    for (const one of happened.spells) {
      if (one.start >= to || (one.end !== null && one.end <= from)) continue;
      const [a, b] = [share(one.start), share(one.end ?? to)];
      const lane = ends.findIndex((end) => end <= a);
      const at = lane < 0 ? ends.length : lane;
      if (at >= MOST) {
        over += 1;
        continue;
      }
      ends[at] = Math.max(b, a + 0.012) + 0.003;
      bar(one, at, a, b);
    }
    for (const one of happened.deeds) if (one.time >= from && one.time < to) deed(one, share(one.time), ends.length);
    box.style.setProperty("--lanes", ends.length + (happened.deeds.length ? 1 : 0));
    if (over) child(box, "p", `and ${over} more at the same time`, "about over");
    if (!happened.whole) child(box, "p", "Too much happened to show it all; the newest is here.", "about over");
    if (focused) [...box.querySelectorAll("button")].find((node) => node.dataset.spell === focused)?.focus({ preventScroll: true });
  }

  function bar(one, lane, a, b) {
    const node = child(box, "button", undefined, `spell ${one.kind}`);
    node.type = "button";
    node.dataset.spell = `${one.id} ${one.start}`;
    mark(node, one.title, LEVELS[one.status]);
    node.title = `${one.title} at ${one.subject}`;
    node.setAttribute("aria-pressed", String(chosen === node.dataset.spell));
    place(node, lane, a, Math.max(b - a, 0.012));
    node.toggleAttribute("data-open", one.end === null);
    node.addEventListener("click", () => choose(node.dataset.spell, one));
  }

  function deed(one, at, lane) {
    const node = child(box, "button", "◆", "deed");
    node.type = "button";
    node.dataset.spell = `deed ${one.time} ${one.alarm}`;
    const text = sentence(one);
    node.title = text;
    node.setAttribute("aria-label", text);
    place(node, lane, at, 0);
    node.addEventListener("click", () => {
      chosen = node.dataset.spell;
      show([], 0);
      say(words, text);
      press();
    });
  }

  function place(node, lane, left, width) {
    node.style.setProperty("--lane", lane);
    node.style.left = `${100 * left}%`;
    if (width) node.style.width = `${100 * width}%`;
  }

  function choose(key, one) {
    chosen = chosen === key ? "" : key;
    drawnAs = "";
    const now = one.end ?? Date.now() / 1000;
    show(chosen && one.finding ? [one.finding] : [], now);
    const over = one.end === null ? "goes on" : `over at ${moment(one.end, Date.now() / 1000)}`;
    say(words, chosen ? `${one.title} at ${one.subject}: from ${moment(one.start, Date.now() / 1000)}, ${over}, ${lasting(now - one.start)}.` : "");
    press();
  }

  function press() {
    for (const node of box.querySelectorAll(".spell")) node.setAttribute("aria-pressed", String(node.dataset.spell === chosen));
  }

  return { draw, take: (view) => { happened = view; drawnAs = ""; } };
}

function sentence({ time, actor, event, message, subject, reason }) {
  const why = reason ? `: ${reason}` : "";
  return `${moment(time, Date.now() / 1000)} ${actor} ${DEEDS[event] || event} ${message} at ${subject}${why}`;
}
