// What every page has around it: the beat, how live it is, the warning, the title, the printed date.

import { follow } from "./feed.js";
import { say, show } from "./parts.js";
import { ask as askWho, me, whenOther } from "./who.js";
import { fullDate, seconds, timeOfDay, zone } from "./words.js";

const RELOAD_KEY = "reloaded-for";
const page = (id) => document.getElementById(id);
const name = document.title;
let needed = 0;
let latest = null;

// told.state(state, word), told.judged(word, at): `at` is "" or the time of what is shown;
// told.redraw() when colours have changed. Gives a function that follows another stream.
export function watch(address, told) {
  window.addEventListener("beforeprint", () => {
    document.getElementById("dark").media = "not all";
    say(page("paper"), latest ? `Values of ${fullDate(latest)}` : "No values yet");
    for (const node of document.querySelectorAll("details:not([data-deeper])")) node.open = true;
    told.redraw?.();
  });
  window.addEventListener("afterprint", window.applyLook);
  window.addEventListener("look", () => told.redraw?.());
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => told.redraw?.());
  say(page("zone"), zone);
  whenOther(() => warn(document.body.dataset.feed, latest ? timeOfDay(latest) : ""));
  return follow(address, {
    state(state, word) {
      page("beat").toggleAttribute("data-on");
      if (state.revision !== document.body.dataset.revision) return renew(state.revision);
      // What is wrong with the gateway itself; not read out: it may count minutes.
      say(page("troubles"), state.troubles.map((words) => `${words}.`).join(" "));
      show(page("troubles"), state.troubles.length > 0);
      ask(state.alarms);
      told.state?.(state, word);
      if (state.time !== null) {
        latest = seconds(state.time);
        say(page("feed-time"), timeOfDay(latest));
      }
      return undefined;
    },
    feed(word, state) {
      document.body.dataset.feed = word;
      say(page("feed-word"), { live: "Live", lost: "Not live", stale: "Not live", paused: "Paused", waiting: "Waiting" }[word]);
      const at = state && state.time ? timeOfDay(seconds(state.time)) : "";
      if (word === "lost" && me.person) askWho(); // it may be that one may not look any more
      warn(word, at);
      told.judged?.(word, at);
      entitle();
    },
  });
}

// So many things need a person: in the title, for whoever looks at another page.
export function needs(count) {
  needed = count;
  entitle();
}

// Alarms that nobody has acknowledged, on every page.
function ask({ unacknowledged }) {
  const badge = page("badge");
  if (!badge) return;
  say(badge, unacknowledged ? ` ${unacknowledged}` : "");
  show(badge, unacknowledged > 0);
  badge.title = `${unacknowledged} not acknowledged`;
}

// The site file or the program changed: this page is of yesterday. Once, lest it goes round.
function renew(revision) {
  if (sessionStorage.getItem(RELOAD_KEY) === revision) return;
  sessionStorage.setItem(RELOAD_KEY, revision);
  location.reload();
}

function warn(word, at) {
  const old = at ? ` What you see is from ${at}.` : "";
  const shut = document.body.dataset.viewing === "closed" && !me.person;
  const text = {
    lost: shut ? `No live values: they are for people who have signed in.${old}` : `No connection to the gateway.${old} Trying again.`,
    stale: `The gateway has no new readings.${old}`,
  }[word] || "";
  say(page("warning"), text);
  show(page("warning"), Boolean(text));
}

function entitle() {
  const word = document.body.dataset.feed;
  const before = word === "live" ? (needed ? `(${needed}) ` : "") : word === "waiting" ? "" : "Not live: ";
  document.title = before + name;
}
