// How the controllers answer, and how the receivers of data are doing.

import { child, mark, partsOf, say, show } from "./parts.js";
import { capital, count, moment, seconds } from "./words.js";

const RECEIVERS = { store: "History file", mqtt: "MQTT broker", influx: "Time-series server", bacnet: "BACnet/IP" };

// Gives { update(links, now), only(words) }. Those that do not answer come first.
export function linkTable(table) {
  const body = table.tBodies[0];
  const rows = new Map();
  for (const node of table.querySelectorAll("[data-link]")) rows.set(node.dataset.link, { node, parts: partsOf(node), silent: false });

  function update(links, now) {
    for (const link of links) {
      const row = rows.get(link.controller);
      if (!row) continue;
      const { parts } = row;
      const last = link.last_answer ? moment(seconds(link.last_answer), now) : "";
      const silent = `${capital(link.reason || "no answer")}${last ? `; last answer ${last}` : ""}`;
      const answers = link.connected && !link.reason;
      const unread = link.polls === 0;
      row.silent = !answers && !unread;
      mark(parts.state, answers ? "Yes" : unread ? "Not read yet" : silent, row.silent ? "failure" : "good");
      say(parts.address, link.address);
      say(parts.response, link.response_ms === null ? "–" : `${Math.round(link.response_ms)} ms`);
      say(parts.polls, count(link.polls));
      say(parts.failures, count(link.failures));
      say(parts.missed, count(link.missed_ticks));
    }
    const order = [...rows.values()].sort((x, y) => Number(y.silent) - Number(x.silent));
    order.forEach(({ node }, k) => {
      if (body.children[k] !== node) body.insertBefore(node, body.children[k]);
    });
  }

  function only(words) {
    const text = words.trim().toLowerCase();
    for (const { node } of rows.values()) show(node, node.textContent.toLowerCase().includes(text));
  }

  return { update, only };
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
  child(head, "b", RECEIVERS[name] || name);
  const cells = { state: child(row, "td") };
  cells.state.dataset.f = "state";
  cells.state.dataset.label = "Takes data";
  for (const [key, label] of [["sent", "Sent"], ["waiting", "Waiting"], ["failures", "Failed"]]) {
    cells[key] = child(row, "td", "–", "num");
    cells[key].dataset.label = label;
  }
  return cells;
}
