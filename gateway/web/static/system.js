// The system page: controllers, receivers of data, and the gateway itself.

import { linkTable, sinkTable } from "./equipment.js";
import { watch } from "./mast.js";
import { level, say } from "./parts.js";
import { listed, many, seconds } from "./words.js";

const page = (id) => document.getElementById(id);
const show_links = linkTable(page("links"));
const show_sinks = sinkTable(page("sinks"));
let lately = "no values yet";

watch("/api/v1/stream/site", { state: shown, judged });

function shown(state, word) {
  show_links(state.links, state.time === null ? Date.now() / 1000 : seconds(state.time));
  show_sinks(state.sinks);
  if (word !== "live") return;
  const silent = state.links.filter((link) => link.polls && (!link.connected || link.reason)).map((link) => link.controller);
  const stuck = state.sinks.filter((sink) => sink.reason && !sink.connected).map((sink) => sink.name);
  level(page("verdict"), silent.length ? "failure" : stuck.length || state.troubles.length ? "out" : "good");
  lately = [told(silent, state.links.length, "controller", "does not answer", "do not answer"), told(stuck, state.sinks.length, "receiver", "takes no data", "take no data")]
    .filter(Boolean).join("; ") || `${many(state.links.length, "controller")} ${state.links.length === 1 ? "answers" : "answer"}, all data taken`;
  say(page("verdict-text"), lately);
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
