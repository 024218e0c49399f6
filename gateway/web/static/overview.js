// The overview: what needs a person first, everything else calm below, a page at a time.

import { findings } from "./findings.js";
import { looking } from "./looking.js";
import { needs, watch } from "./mast.js";
import { level, say, show } from "./parts.js";
import { rows } from "./rows.js";
import { LEVELS, capital, count, listed, many, seconds, tallied, worst } from "./words.js";

const FEW = 8; // rows up to which there is nothing to look for
const ROOM = 3; // rows that need a person up to which each says all it knows
const MANY = 12; // calm rows from which on they stand in columns
const page = (id) => document.getElementById(id);
const put = rows(page("needs"), page("calm"));
const elsewhere = findings(page("elsewhere").querySelector("[data-f=findings]"));
let lately = "no values yet";

const looks = looking(30, FEW, () => follow(address()));
const address = () => `/api/v1/stream/overview${looks.query()}`;
const follow = watch(address(), { state: shown, judged });

function shown(state, word) {
  say(page("tally"), tallied(state.alarms));
  if (state.time === null) return;
  const time = seconds(state.time);
  put(state.rows, time);
  say(page("empty"), state.total ? "No loop fits that." : "The site file names no loop yet.");
  show(page("empty"), state.matched === 0);
  page("calm").toggleAttribute("data-columns", state.rows.length > MANY);
  page("loops").dataset.number = state.rows.length > MANY ? "many" : "few";
  page("needs").toggleAttribute("data-short", page("needs").childElementCount > ROOM);
  elsewhere(state.findings, time);
  show(page("elsewhere"), state.findings.length > 0);
  looks.update(state, state.rows.length);
  if (word === "live") verdict(state);
}

function verdict(state) {
  const wrong = ["failure", "out of specification", "maintenance required"].map((status) => state.counts[status]);
  const troubled = wrong.reduce((a, b) => a + b, 0);
  const other = state.findings.length;
  needs(troubled + other);
  const there = Object.keys(state.counts).filter((status) => state.counts[status]);
  level(page("verdict"), worst([...there, ...state.findings.map((f) => f.status)].map((status) => LEVELS[status])));
  lately = sentence(state, troubled, other);
  say(page("verdict-text"), lately);
}

function sentence(state, troubled, other) {
  const checked = state.counts["function check"];
  const beside = [
    other ? `${many(other, "finding")} outside the loops` : "",
    checked ? `${many(checked, "loop")} under function check` : "",
  ];
  const calm = state.total - troubled - checked;
  const alone = state.total - state.loops;
  const noun = alone ? (calm === 1 ? "loop or transducer" : "loops and transducers") : calm === 1 ? "loop" : "loops";
  const fine = troubled || other || !calm ? "" : `${count(calm)} ${noun}, nothing found wrong`;
  const all = `${count(state.total)} ${alone ? "loops and transducers" : state.total === 1 ? "loop" : "loops"}`;
  const bad = troubled ? `${count(troubled)} of ${all} ${troubled === 1 ? "needs" : "need"} attention${named(state, troubled)}` : "";
  return capital([bad, fine, ...beside].filter(Boolean).join("; "));
}

// By name where all of them are on this page.
function named(state, troubled) {
  const rows = state.rows.filter((row) => !["good", "function check"].includes(row.status));
  const names = rows.map((row) => (row.finding?.transducer && row.kind === "loop" ? `${row.name} (${row.finding.transducer})` : row.name));
  return names.length === troubled && troubled <= 3 ? `: ${listed(names, "and")}` : "";
}

function judged(word, at) {
  const asof = word === "live" || word === "waiting" || !at ? "" : `Not live: from ${at}`;
  say(page("asof"), asof);
  show(page("asof"), Boolean(asof));
  if (asof) {
    level(page("verdict"), "none");
    say(page("verdict-text"), `At ${at}: ${lately}`);
  }
}
