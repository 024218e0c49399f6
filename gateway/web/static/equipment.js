// How the controllers answer, and how the receivers of data are doing.

import { child, mark, partsOf, say } from "./parts.js";
import { capital, count, moment, seconds } from "./words.js";

export function linkTable(table) {
  const rows = new Map();
  for (const row of table.querySelectorAll("[data-link]")) rows.set(row.dataset.link, partsOf(row));

  return (links, now) => {
    for (const link of links) {
      const parts = rows.get(link.controller);
      if (!parts) continue;
      const last = link.last_answer ? moment(seconds(link.last_answer), now) : "";
      const silent = `${capital(link.reason || "no answer")}${last ? `; last answer ${last}` : ""}`;
      const answers = link.connected && !link.reason;
      const unread = link.polls === 0;
      mark(parts.state, answers ? "Yes" : unread ? "Not read yet" : silent, answers || unread ? "good" : "failure");
      say(parts.address, link.address);
      say(parts.response, link.response_ms === null ? "–" : `${Math.round(link.response_ms)} ms`);
      say(parts.polls, count(link.polls));
      say(parts.failures, count(link.failures));
      say(parts.missed, count(link.missed_ticks));
    }
  };
}

export function sinkTable(table) {
  const body = table.tBodies[0];
  const rows = new Map();

  return (sinks) => {
    for (const sink of sinks) {
      if (!rows.has(sink.name)) rows.set(sink.name, sinkRow(body, sink.name));
      const cells = rows.get(sink.name);
      const trouble = sink.reason && !sink.connected;
      mark(cells.state, sink.connected ? capital(sink.reason || "yes") : capital(sink.reason || "no"), trouble ? "out" : "good");
      say(cells.sent, count(sink.sent));
      say(cells.waiting, count(sink.waiting));
      say(cells.failures, count(sink.failures));
    }
  };
}

function sinkRow(body, name) {
  const row = child(body, "tr");
  const head = child(row, "th");
  head.scope = "row";
  child(head, "b", name);
  const cells = { state: child(row, "td") };
  cells.state.dataset.f = "state";
  for (const [key, label] of [["sent", "Sent"], ["waiting", "Waiting"], ["failures", "Failed"]]) {
    cells[key] = child(row, "td", "–", "num");
    cells[key].dataset.label = label;
  }
  return cells;
}
