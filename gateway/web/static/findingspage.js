// The findings page: every open finding, gravest first, and those that are over.

import { entry, over } from "./earlier.js";
import { findings } from "./findings.js";
import { looking } from "./looking.js";
import { needs, watch } from "./mast.js";
import { level, say, show } from "./parts.js";
import { LEVELS, count, many, seconds, startOfDay, worst } from "./words.js";

const FEW = 6; // open findings up to which there is nothing to look for
const PAGE = 100; // entries of the journal
const page = (id) => document.getElementById(id);
const put = findings(page("open").querySelector("[data-f=findings]"));
const form = page("past");
let lately = "no values yet";
let standing = "";
let before = null; // where older ones begin
let found = 0;

const looks = looking(20, FEW, () => follow(address()));
const address = () => `/api/v1/stream/findings${looks.query()}`;
const follow = watch(address(), { state: shown, judged });

function shown(state, word) {
  if (state.time === null) return;
  put(state.findings, seconds(state.time), Object.fromEntries(state.findings.map((one) => [one.transducer ?? one.subject, one.where])));
  show(page("empty"), state.total === 0);
  looks.update(state, state.findings.length);
  const ids = `${state.total} ${state.findings.map((one) => one.id).join()}`;
  if (ids !== standing && !form.contains(document.activeElement)) search(false);
  standing = ids;
  if (word !== "live") return;
  needs(state.total);
  level(page("verdict"), worst(Object.keys(state.counts).filter((status) => state.counts[status]).map((status) => LEVELS[status])));
  lately = state.total ? [`${count(state.total)} open ${state.total === 1 ? "finding" : "findings"}`, ...graded(state.counts)].join(": ") : "No open findings";
  say(page("verdict-text"), lately);
}

const graded = (counts) => [Object.entries(counts).filter(([, n]) => n).map(([status, n]) => `${count(n)} ${status}`).join(", ")];

async function search(more) {
  const query = new URLSearchParams({ limit: PAGE, from: 0 });
  if (form.elements.subject.value.trim()) query.set("subject", form.elements.subject.value.trim());
  if (form.elements.from.value) query.set("from", startOfDay(form.elements.from.value, 0));
  if (form.elements.to.value) query.set("to", startOfDay(form.elements.to.value, 1));
  if (more) query.set("to", before);
  try {
    const answer = await fetch(`/api/v1/findings?${query}`);
    if (!answer.ok) throw new Error(`answer ${answer.status}`);
    const entries = await answer.json();
    const list = page("earlier");
    if (!more) {
      list.replaceChildren();
      found = 0;
    }
    const views = over(entries);
    list.append(...views.map((view) => entry(view, true)));
    found += views.length;
    before = entries.length === PAGE ? seconds(entries[entries.length - 1].time) : null;
    say(page("told"), found ? `${many(found, "finding")}${before === null ? "" : " so far"}` : before === null ? "None." : "None so far.");
  } catch (error) {
    say(page("told"), `The journal cannot be read: ${error.message}`);
  }
  show(page("older"), before !== null);
}

form.addEventListener("submit", (event) => {
  event.preventDefault();
  search(false);
});
page("older").addEventListener("click", () => search(true));

function judged(word, at) {
  const old = word === "live" || word === "waiting" || !at ? "" : `Not live: from ${at}`;
  show(page("asof"), Boolean(old));
  say(page("asof"), old);
  if (!old) return;
  level(page("verdict"), "none");
  say(page("verdict-text"), `At ${at}: ${lately}`);
}
