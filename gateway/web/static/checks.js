// The page of loop checks: begin one, go through it step by step, look at the records.

import { ask } from "./asking.js";
import { look, tell } from "./checkdeeds.js";
import { draw, inUnit } from "./checkshow.js";
import { watch } from "./mast.js";
import { child, say, show } from "./parts.js";

const EVERY_MS = 1000;
const page = (id) => document.getElementById(id);
const begin = page("begin");
const loops = JSON.parse(begin.dataset.loops);
let open = [];
let name = "";
let check = null;

watch("/api/v1/stream/frame", {});
setInterval(() => document.hidden || refresh(), EVERY_MS);
refresh();
records();
choose();
points();

async function refresh() {
  try {
    ({ open } = await look(""));
  } catch {
    return; // the masthead tells that there is no connection
  }
  if (!open.some((one) => one.name === name)) {
    name = open[0]?.name || "";
    page("beginning").open = !name; // out of the way while there is something to do
  }
  shown();
}

function shown() {
  check = open.find((one) => one.name === name) || null;
  show(page("check"), Boolean(check));
  show(page("beginning"), !check || open.length < loops.length);
  tabs();
  if (check) draw(check);
}

function tabs() {
  const box = page("which");
  const said = open.length > 1 ? open.map((one) => one.name).join() + name : "";
  if (box.dataset.said === said) return;
  box.dataset.said = said;
  box.replaceChildren();
  if (!said) return;
  for (const one of open) {
    const button = child(box, "button", one.name);
    button.type = "button";
    button.setAttribute("aria-pressed", String(one.name === name));
    button.addEventListener("click", () => {
      name = one.name;
      shown();
    });
  }
}

// Do it, show what came of it, and say why not.
async function deed(path, body) {
  say(page("told"), "");
  try {
    const answer = await tell(path, body);
    await refresh();
    return answer;
  } catch (error) {
    say(page("told"), error.message);
    return null;
  }
}

const here = (what, body = {}) => check && deed(`/open/${encodeURIComponent(check.name)}/${what}`, body);

page("apply").addEventListener("submit", (event) => {
  event.preventDefault();
  const text = event.target.elements.shown.value.trim().replace(",", ".");
  const value = Number(text);
  if (text && !Number.isFinite(value)) return say(page("told"), "What the reference shows: a number.");
  event.target.elements.shown.value = "";
  const told = text && check.transducer ? { [check.transducer]: inUnit(check, value, event.target.elements.in.value) } : {};
  return here("applied", { step: check.step, shown: told });
});
page("take").addEventListener("click", () => here("take"));
page("skip").addEventListener("click", async () => {
  const { step } = check; // what was looked at, not what comes while the reason is typed
  const reason = await ask("Leave this step out", "Why; what it would have proved is then not proved", "Leave it out");
  if (reason) here("skip", { step, reason });
});
page("again").addEventListener("click", () => here("repeat", { step: check.read.at(-1).step, reason: "read again" }));
page("pause").addEventListener("click", () => here(check.paused ? "resume" : "pause"));
page("abandon").addEventListener("click", async () => {
  const reason = await ask("Abandon the check, without a record", "Why", "Abandon it");
  if (reason) here("abandon", { reason });
});
page("note").addEventListener("click", async () => {
  const text = await ask("Keep a remark", "It stands in the record", "Keep it");
  if (text && (await here("note", { text }))) say(page("told"), "The remark is kept.");
});
page("decide").addEventListener("submit", (event) => {
  event.preventDefault();
  here("decide", { transducer: check.transducer, adjusted: false });
});
page("adjusted").addEventListener("click", () => {
  const { notes } = page("decide").elements;
  here("decide", { transducer: check.transducer, adjusted: true, notes: notes.value });
  notes.value = "";
});
page("finish").addEventListener("submit", async (event) => {
  event.preventDefault();
  const end = await here("finish", { reason: event.target.elements.remarks.value });
  if (!end) return;
  event.target.reset();
  say(page("told"), `Record ${end.record} is made.`);
  const made = (await records()).find((one) => one.number === end.record);
  if (made) say(page("told"), `Record ${made.number} is made: ${made.verdict}, as found ${made.as_found}.`);
});

begin.elements.loop.addEventListener("change", choose);
begin.elements.scheme.addEventListener("change", points);
begin.addEventListener("submit", async (event) => {
  event.preventDefault();
  const fields = begin.elements;
  const expanded = fields.expanded.value.trim().replace(",", ".");
  const body = {
    loop: fields.loop.value,
    transducers: [...page("inputs").querySelectorAll("input:checked")].map((one) => one.value),
    reference: { identity: fields.identity.value, certificate: fields.certificate.value, expanded: expanded ? Number(expanded) : null, unit: fields.unit.value },
    point: Number(fields.point.value),
    cycles: page("cycles-row").hidden ? 1 : Number(fields.cycles.value),
  };
  for (const text of ["scheme", "rule", "ambient"]) body[text] = fields[text].value;
  for (const tick of ["combined", "only_as_found", "hands_free"]) body[tick] = fields[tick].checked;
  const begun = await deed("", body);
  if (begun) {
    name = begun.name;
    fields.arranged.checked = false;
    page("beginning").open = false;
    shown();
    page("check").scrollIntoView();
  }
});

// The transducers of the loop that is chosen, and the other loops that they serve.
function choose() {
  const [, , members] = loops.find(([key]) => key === begin.elements.loop.value);
  const box = page("inputs");
  for (const old of box.querySelectorAll("label")) old.remove();
  page("disturbed").replaceChildren();
  for (const [key, others] of members) {
    const label = child(box, "label", undefined, "tick");
    const tick = child(label, "input");
    Object.assign(tick, { type: "checkbox", value: key, checked: true });
    child(label, "span", key);
    if (others.length) child(page("disturbed"), "li", `${key} also serves ${others.join(", ")}: what is applied here disturbs that as well.`);
  }
}

// Fields that only some schemes have.
function points() {
  const scheme = begin.elements.scheme.value;
  show(page("point-row"), scheme === "one point");
  show(page("cycles-row"), scheme.endsWith("points"));
}

async function records() {
  const [found, due] = await Promise.all([look("/records"), look("/records/due")]);
  say(page("chain"), found.broken.length ? `The chain is broken: ${found.broken.join("; ")}` : found.records.length ? "the chain of records is whole" : "");
  page("chain").className = found.broken.length ? "bad" : "id";
  show(page("records"), found.records.length > 0);
  show(page("no-records"), !found.records.length);
  fill(page("records").tBodies[0], found.records, (row, one) => {
    child(row, "th", String(one.number)).scope = "row";
    child(row, "td", one.loop);
    child(row, "td", one.finished.slice(0, 16).replace("T", " "));
    verdict(row, one.verdict, "As left");
    verdict(row, one.as_found, "As found");
    const kept = child(row, "td");
    link(kept, `/api/v1/checks/records/${one.number}/pdf`, "PDF", `Record ${one.number} as PDF`);
    kept.append(" ");
    link(kept, `/api/v1/checks/records/${one.number}`, "data", `Record ${one.number} as data`);
  });
  show(page("due"), due.length > 0);
  fill(page("due").querySelector("tbody"), due, (row, one) => {
    child(row, "th", one.transducer).scope = "row";
    child(row, "td", one.last ? one.last.slice(0, 10) : "never").dataset.label = "Last right";
    child(row, "td", one.due ? one.due.slice(0, 10) : "now").dataset.label = "Due";
    child(row, "td", one.overdue ? "overdue" : "", one.overdue ? "bad" : "");
  });
  return found.records;
}

function fill(body, list, make) {
  body.replaceChildren();
  for (const one of list) make(child(body, "tr"), one);
}

function verdict(row, word, label) {
  child(row, "td", word, word === "fail" ? "bad" : "").dataset.label = label;
}

function link(parent, address, text, label) {
  const node = child(parent, "a", text);
  node.href = address;
  node.setAttribute("aria-label", label);
}
