// Findings that are over, each with its evidence.

import { findings } from "./findings.js";
import { child, mark, say, show } from "./parts.js";
import { LEVELS, capital, lasting, many, moment, seconds } from "./words.js";

const MOST = 400; // entries of the journal

// open: ids of findings that stand now.
export function earlier(section, id) {
  const list = section.querySelector("[data-f=list]");
  const told = section.querySelector("[data-f=told]");
  let known = null;

  return async (open) => {
    const key = open.join();
    if (known === key) return;
    known = key;
    try {
      const answer = await fetch(`/api/v1/findings?from=0&limit=${MOST}&subject=${encodeURIComponent(id)}`);
      if (!answer.ok) throw new Error(`answer ${answer.status}`);
      fill(over(await answer.json(), "transducer"));
    } catch (error) {
      known = null; // with the next row
      say(told, `The journal cannot be read: ${error.message}`);
    }
  };

  function fill(views) {
    say(told, views.length ? `${many(views.length, "finding")}, newest first` : "None so far.");
    list.replaceChildren(...views.map((view) => entry(view)));
  }
}

// Entries of the journal about findings of one kind ("": any) that are over.
export const over = (entries, kind = "") => entries.filter((one) => one.phase === "cleared" && (!kind || one.kind === kind));

// One of them, folded; where: whether to say at what.
export function entry(view, where = false) {
  const node = document.createElement("li");
  const details = child(node, "details");
  details.dataset.deeper = "";
  const summary = child(details, "summary");
  const [from, to] = [seconds(view.since), seconds(view.time)];
  mark(child(summary, "span", undefined, "what"), view.title, LEVELS[view.status]);
  if (where) child(summary, "b", `${view.subject} `);
  child(summary, "span", `${moment(from, Date.now() / 1000)}, ${lasting(to - from)}`, "about");
  const box = child(details, "div");
  details.addEventListener("toggle", () => {
    if (details.open && !box.childElementCount) findings(box)([view], to);
  });
  return node;
}
