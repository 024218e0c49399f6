// One row of the overview: a loop, or a transducer that stands for itself.

import { findings } from "./findings.js";
import { level, mark, partsOf, say, show } from "./parts.js";
import { plumb } from "./plumb.js";
import { measure, pretty } from "./units.js";
import { LEVELS, amount, believed, capital, many, worst } from "./words.js";

const QUALITY = { good: "good", uncertain: "out", bad: "failure" };
const pattern = document.getElementById("row");
let made = 0;

// update(view, now, hold): hold is who has taken it out of service, if anybody has.
export function overviewRow(view) {
  const node = pattern.content.firstElementChild.cloneNode(true);
  const parts = partsOf(node);
  const shown = measure(view.unit, view.span);
  const draw = plumb(parts.plumb);
  const why = findings(parts.why);
  node.dataset.row = `${view.kind} ${view.id}`;
  made += 1;
  parts.name.id = `row-${made}`;
  node.setAttribute("aria-labelledby", parts.name.id);
  parts.name.href = `/${view.kind}s/${encodeURIComponent(view.id)}`;
  say(parts.unit, shown.label);
  show(parts.facts, view.kind === "loop");

  return { node, update };

  function update(row, now) {
    const name = worst([LEVELS[row.status], QUALITY[row.quality]]);
    level(node, name);
    say(parts.name, row.name);
    say(parts.id, row.id === row.name ? "" : row.id);
    const without = believed(row, shown);
    const told = word(row, without);
    const beyond = row.limit && !without ? "out" : LEVELS[row.status];
    mark(parts.word, told, row.quality === "good" ? beyond : QUALITY[row.quality]);
    show(parts.word, Boolean(told));
    say(parts.combined, shown.text(row.combined));
    node.toggleAttribute("data-bad", row.quality === "bad");
    say(parts.setpoint, shown.text(row.setpoint));
    say(parts.feedback, shown.text(row.feedback));
    agreement(row);
    const drive = row.output === null ? "–" : `${amount(Number(row.output.toFixed(1)))} ${row.output_unit}`;
    say(parts.output, row.running === false ? `${drive}, stopped` : drive);
    draw(row);
    const known = tells(row);
    why(known ? [row.finding] : [], now, known ? { [row.finding.transducer]: row.where } : {});
    show(parts.more, known && row.findings > 1);
    say(parts.more, `and ${many(row.findings - 1, "more finding")}`);
    parts.more.href = parts.name.href;
  }

  function agreement(row) {
    const differs = row.feedback_agrees === false;
    const apart = differs ? Math.abs(row.feedback - row.combined) : 0;
    mark(parts.agree, differs ? `differs by ${shown.text(apart)}` : "", differs ? "out" : "good");
  }
}

// Whoever works on it knows what is wrong with it.
const tells = (row) => Boolean(row.finding) && row.status !== "function check";

// What its finding says is not said twice. without: the pressure without who is in doubt, in words.
function word(row, without) {
  const reason = without || (tells(row) ? "" : row.reason);
  if (row.quality !== "good") return `${capital(row.quality)} value${reason ? `: ${reason}` : ""}`;
  if (without) return capital(without);
  if (row.limit) return pretty(row.limit);
  return tells(row) ? "" : row.status === "good" ? "" : capital(row.status);
}
