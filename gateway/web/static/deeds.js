// Acting on alarms: the small form, who acts, and the answer of the gateway.
// Name and token are kept in sessionStorage: they end with the tab, so that a wall screen or a lent
// phone does not stay able to act, and nobody acts under the name of who was there before.

import { child, say, show } from "./parts.js";
import { capital } from "./words.js";

const PERSON = "acting-person";
const TOKEN = "acting-token";
const HOURS = { shelve: [0.25, 1, 4, 8, 24], out: [1, 4, 8, 24, 72, 168, 720] };

const dialog = document.getElementById("deed");
const form = dialog.querySelector("form");
const part = (name) => form.querySelector(`[data-f=${name}]`);
let deed = null;
let done = () => {};

export const mayAct = document.body.dataset.actions === "on";

// what: { title, about, path, needs: "" | "shelve" | "out", button, said, onset }; path and said may be
// functions of the subject chosen in the form, such as "loops/stair-b".
export function ask(what) {
  deed = what;
  say(part("title"), what.title);
  say(part("about"), what.about || "");
  say(part("submit"), what.button);
  show(part("caution"), what.needs === "out");
  show(part("subject-row"), typeof what.path === "function");
  form.elements.subject.disabled = typeof what.path !== "function";
  show(part("minutes-row"), Boolean(what.needs));
  form.elements.minutes.disabled = !what.needs;
  form.elements.minutes.replaceChildren(...(HOURS[what.needs] || []).map(choice));
  form.elements.reason.required = Boolean(what.needs);
  say(part("reason-word"), what.needs ? "Why" : "Remark, if there is one");
  form.elements.reason.value = "";
  form.elements.person.value = sessionStorage.getItem(PERSON) || "";
  needToken(!sessionStorage.getItem(TOKEN));
  refuse("");
  dialog.showModal();
  const first = [form.elements.person, form.elements.token].find((field) => !field.disabled && !field.value);
  (first || (what.needs ? form.elements.reason : part("submit"))).focus();
}

export function whenDone(told) {
  done = told;
}

function choice(hours) {
  const option = new Option(hours < 1 ? `${60 * hours} minutes` : hours < 48 ? `${hours} ${hours === 1 ? "hour" : "hours"}` : `${hours / 24} days`, 60 * hours);
  option.selected = hours === 4;
  return option;
}

function needToken(asked) {
  show(part("token-row"), asked);
  form.elements.token.disabled = !asked;
  form.elements.token.value = "";
}

function refuse(text) {
  say(part("refused"), text);
  show(part("refused"), Boolean(text));
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const mine = deed;
  const fields = form.elements;
  const token = fields.token.disabled ? sessionStorage.getItem(TOKEN) : fields.token.value.trim();
  const body = { person: fields.person.value, reason: fields.reason.value };
  if (mine.onset) body.onset = mine.onset; // what is meant is what was seen, not what came since
  if (mine.needs) body.minutes = Number(fields.minutes.value);
  const path = typeof mine.path === "function" ? mine.path(fields.subject.value) : mine.path;
  part("submit").disabled = true;
  refuse("");
  try {
    const answer = await fetch(`/api/v1/${path}`, {
      method: "POST",
      headers: { "Content-Type": "application/json", Authorization: `Bearer ${token}` },
      body: JSON.stringify(body),
    });
    if (answer.ok) taken(mine, token);
    else await refused(answer);
  } catch {
    refuse("No connection to the gateway: nothing was done, or it is not known whether it was.");
  }
  part("submit").disabled = false;
});

part("cancel").addEventListener("click", () => dialog.close());

function taken(mine, token) {
  sessionStorage.setItem(PERSON, form.elements.person.value.trim());
  sessionStorage.setItem(TOKEN, token);
  dialog.close();
  done(typeof mine.said === "function" ? mine.said(form.elements.subject.value) : mine.said);
}

async function refused(answer) {
  let faults = [];
  try {
    ({ faults } = await answer.json());
  } catch {
    faults = [{ value: `Answer ${answer.status}`, allowed: "a later try" }];
  }
  refuse(faults.map(inWords).join(" "));
  if (answer.status === 401) {
    sessionStorage.removeItem(TOKEN);
    needToken(true);
    form.elements.token.focus();
  }
}

function inWords({ path, value, allowed }) {
  const place = path?.startsWith("body.") ? `${path.slice(5)}: ${value}` : value;
  return `${capital(place)}. Allowed: ${allowed}.`;
}

// Buttons for what can be done; made anew only when that changes.
export function buttons(box, deeds) {
  const key = deeds.map((one) => `${one.button} ${one.onset || ""}`).join();
  if (!mayAct || box.dataset.said === key) return;
  box.dataset.said = key;
  const focused = box.contains(document.activeElement);
  box.replaceChildren();
  for (const one of deeds) {
    const button = child(box, "button", one.short || one.button);
    button.type = "button";
    button.setAttribute("aria-label", `${one.short || one.button}: ${one.about}`);
    button.addEventListener("click", () => ask(one));
  }
  if (focused) box.querySelector("button")?.focus();
}
