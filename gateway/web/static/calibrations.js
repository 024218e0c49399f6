// When a transducer was checked, how it was found and how it was left.

import { child, mark, say, show } from "./parts.js";
import { capital, day, figure, moment, seconds } from "./words.js";

const VERDICTS = { "pass": "good", "not proved": "out", "fail": "failure" };
const SCHEMES = { "five points": "five points", "three points": "three points", "one point": "one point", "zero": "zero alone" };

// The section stays away where no checks are made.
export async function calibrations(section, id) {
  const part = (name) => section.querySelector(`[data-f=${name}]`);
  let view = null;
  try {
    const answer = await fetch(`/api/v1/transducers/${encodeURIComponent(id)}/calibrations`);
    if (!answer.ok) return;
    view = await answer.json();
  } catch {
    return; // without a network there is nothing to say here; the mast says it
  }
  const now = Date.now() / 1000;
  const stated = view.stated ? `Calibrated on ${day(Date.parse(view.stated) / 1000)} by the site file.` : "The site file gives no day of calibration.";
  const due = view.overdue ? "A check is overdue." : view.due ? `The next check is due on ${day(seconds(view.due))}.` : "";
  const none = view.checks.length ? "" : "No loop check has been finished here yet.";
  say(part("told"), [stated, due, none].filter(Boolean).join(" "));
  part("body").replaceChildren(...view.checks.map((one) => row(one, now)));
  show(section.querySelector("table"), view.checks.length > 0);
  show(section, true);
}

function row(one, now) {
  const node = document.createElement("tr");
  const when = child(node, "th", `${moment(seconds(one.finished), now)}`);
  when.scope = "row";
  side(node, "As found", one.as_found);
  side(node, "As left", one.as_left, one.adjusted ? "not read" : "not adjusted");
  const how = child(node, "td", [capital(SCHEMES[one.scheme] || one.scheme), one.reference].filter(Boolean).join("; "));
  how.dataset.label = "How";
  child(node, "td", one.person).dataset.label = "By";
  const kept = child(node, "td");
  kept.dataset.label = "Kept as";
  const link = child(kept, "a", `record ${one.number}`);
  link.href = `/api/v1/checks/records/${one.number}/pdf`;
  return node;
}

function side(node, name, view, none = "not read") {
  const cell = child(node, "td");
  cell.dataset.label = name;
  if (!view) return say(cell, none);
  mark(child(cell, "span"), capital(view.verdict), VERDICTS[view.verdict] || "none");
  const figures = [["worst", view.worst], ["zero", view.zero], ["span", view.span]].filter(([, value]) => value !== null);
  child(cell, "span", ` ${figures.map(([word, value]) => `${word} ${figure(value, 2)}`).join(", ")} % of span, of ±${figure(view.tolerance, 2)}`, "about");
  return undefined;
}
