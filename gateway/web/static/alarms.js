// The alarms page: what asks for attention, what is set aside, the journal, and how good it all is.

import { alarmList, outOf } from "./alarmlist.js";
import { asides } from "./aside.js";
import { buttons, whenDone } from "./deeds.js";
import { journal } from "./journal.js";
import { needs, watch } from "./mast.js";
import { level, say, show } from "./parts.js";
import { report } from "./report.js";
import { mayAct, tellWho, whenOther } from "./who.js";
import { LEVELS, seconds, tallied, worst } from "./words.js";

const page = (id) => document.getElementById(id);
const list = alarmList(page("open"));
const put = asides(page("aside"));
const show_journal = journal(page("journal"));
let views = [];
let services = [];
let edition = null;
let asked = 0;
let now = Date.now() / 1000;
let lately = "no alarms seen yet";
let acted = false; // until the list is drawn that one's own deed has changed

report(page("report"));
who();
whenOther(() => {
  who();
  draw(views);
});
whenDone((said) => {
  say(page("told"), said);
  setTimeout(() => page("told").textContent === said && say(page("told"), ""), 15000);
  acted = true;
  fetched(); // the stream tells soon, but whoever acted should not wait for it
});
watch("/api/v1/stream/frame", { state: shown, judged });

// Who acts here, and what of it needs another role.
function who() {
  tellWho(page("may"), [["acknowledge", "acknowledging or shelving"], ["out-of-service", "taking out of service"]]);
  if (mayAct) buttons(page("take-out"), [outOf("", "")]);
}

function shown(state, word) {
  now = state.time === null ? Date.now() / 1000 : seconds(state.time);
  services = state.alarms.out_of_service;
  if (state.alarms.edition !== edition) fetched(state.alarms.edition);
  place();
  if (word !== "live") return;
  lately = tallied(state.alarms);
  say(page("verdict-text"), lately);
  needs(state.alarms.shown);
}

// The list itself is asked for when the stream says that it is another one.
async function fetched(number = null) {
  edition = number;
  asked += 1;
  const mine = asked;
  try {
    const answer = await fetch("/api/v1/alarms");
    if (!answer.ok) throw new Error(`answer ${answer.status}`);
    const fresh = await answer.json();
    if (mine === asked) draw(fresh);
  } catch {
    if (mine === asked) edition = null; // with the next state
  }
}

function draw(fresh) {
  views = fresh;
  const open = list.update(views);
  place();
  acted = false;
  level(page("verdict"), worst(open.map((view) => LEVELS[view.status])));
  show_journal.changed();
}

function place() {
  list.tick(now);
  put(views, services, now);
  show(page("nothing-aside"), page("aside").querySelectorAll("[data-aside]").length === 0);
  settle();
}

// The button that was pressed may be gone with its alarm: the keyboard goes on from the list.
function settle() {
  if (!acted || document.activeElement !== document.body) return;
  acted = false;
  page("open-h").focus();
}

function judged(word, at) {
  const old = word !== "live" && word !== "waiting" && at;
  if (old) {
    level(page("verdict"), "none");
    say(page("verdict-text"), `At ${at}: ${lately}`);
  } else if (word === "live") {
    level(page("verdict"), worst(views.filter((view) => view.shown).map((view) => LEVELS[view.status])));
  }
}
