// The system page: the gateway itself, controllers, receivers of data.

import { linkTable, sinkTable } from "./equipment.js";
import { needs, watch } from "./mast.js";
import { level, partsOf, say } from "./parts.js";
import { people } from "./people.js";
import { count, fullDate, lasting, listed, many, moment, seconds } from "./words.js";

const EVERY_MS = 10000;
const page = (id) => document.getElementById(id);
const links = linkTable(page("links"));
const show_sinks = sinkTable(page("sinks"));
const parts = partsOf(page("self"));
let lately = "no values yet";
let asked = 0;

people(page("people"));
watch("/api/v1/stream/site", { state: shown, judged });
page("find")?.addEventListener("input", ({ target }) => links.only(target.value));

function shown(state, word) {
  links.update(state.links, state.time === null ? Date.now() / 1000 : seconds(state.time));
  show_sinks(state.sinks);
  if (Date.now() - asked > EVERY_MS) ask();
  if (word !== "live") return;
  const silent = state.links.filter((link) => link.polls && (!link.connected || link.reason)).map((link) => link.controller);
  const stuck = state.sinks.filter((sink) => sink.reason && !sink.connected).map((sink) => sink.name);
  needs(silent.length + stuck.length + state.troubles.length);
  level(page("verdict"), silent.length ? "failure" : stuck.length || state.troubles.length ? "out" : "good");
  const bad = [told(silent, state.links.length, "controller", "does not answer", "do not answer"), told(stuck, state.sinks.length, "receiver", "takes no data", "take no data")];
  lately = bad.filter(Boolean).join("; ") || `${many(state.links.length, "controller")} ${state.links.length === 1 ? "answers" : "answer"}, all data taken`;
  say(page("verdict-text"), lately);
}

async function ask() {
  asked = Date.now();
  try {
    const answer = await fetch("/api/v1/system");
    if (!answer.ok) throw new Error(`answer ${answer.status}`);
    fill(await answer.json());
  } catch {
    asked = 0; // with the next row
  }
}

function fill(view) {
  const history = view.history;
  const now = Date.now() / 1000;
  const since = (name) => (history?.since?.[name] ? moment(seconds(history.since[name]), now) : "–");
  const refused = Object.entries(history?.refused ?? {}).map(([sink, n]) => `${count(n)} by ${sink}`);
  const said = {
    program: `Loopwitness ${view.version}, ${view.revision}; Python ${view.python}, SQLite ${view.sqlite}`,
    started: `${fullDate(seconds(view.started))}, ${lasting(view.up_s)}`,
    memory: view.memory === null ? "not known here" : size(view.memory),
    machine: `${view.machine}; ${many(view.processors, "processor")}${view.load === null ? "" : `, load ${view.load}`}`,
    viewers: count(view.viewers),
    site: `${many(view.controllers, "controller")}, ${many(view.transducers, "transducer")}, ${many(view.loops, "loop")}`,
    clock: view.clock || "as it should be",
    file: history ? `${size(history.bytes)} in ${history.folder}${history.schema_version === null ? "; cannot be read now" : `, schema ${history.schema_version}`}` : "nothing is recorded",
    disk: history ? `${size(history.disk_free)} of ${size(history.disk_total)}` : "–",
    rows: since("rows"), minutes: since("minutes"), hours: since("hours"),
    journal: history?.entries ? `${since("journal")}, ${count(history.entries)} entries` : "–",
    outbox: history?.outbox === null || !history ? "–" : `${count(history.outbox)} for the broker`,
    refused: history?.refused ? refused.join(", ") || "none" : "–",
  };
  for (const [name, text] of Object.entries(said)) say(parts[name], text);
}

// Bytes as people say them, powers of ten.
function size(bytes) {
  const units = ["B", "kB", "MB", "GB", "TB"];
  const k = Math.min(units.length - 1, Math.floor(Math.log10(Math.max(1, bytes)) / 3));
  return `${Number((bytes / 1000 ** k).toPrecision(3))} ${units[k]}`;
}

function told(names, all, noun, one, more) {
  if (!names.length) return "";
  const which = names.length > 3 ? "" : `: ${listed(names, "and")}`;
  return `${names.length} of ${many(all, noun)} ${names.length === 1 ? one : more}${which}`;
}

function judged(word, at) {
  if (word === "live" || word === "waiting" || !at) return;
  level(page("verdict"), "none");
  say(page("verdict-text"), `At ${at}: ${lately}`);
}
