// Acting on alarms: the small form, and the answer of the gateway. Who acts is who is signed in.

import { child, say, show } from "./parts.js";
import { offer } from "./subjects.js";
import { me, mayAct, send, toSignIn, whyNot } from "./who.js";
import { capital } from "./words.js";

const HOURS = { shelve: [0.25, 1, 4, 8, 24], out: [1, 4, 8, 24, 72, 168, 720] };

const dialog = document.getElementById("deed");
const form = dialog.querySelector("form");
const part = (name) => form.querySelector(`[data-f=${name}]`);
let deed = null;
let done = () => {};

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
  if (typeof what.path === "function") offer(form.elements.subject, true);
  show(part("minutes-row"), Boolean(what.needs));
  form.elements.minutes.disabled = !what.needs;
  form.elements.minutes.replaceChildren(...(HOURS[what.needs] || []).map(choice));
  form.elements.reason.required = Boolean(what.needs);
  say(part("reason-word"), what.needs ? "Why" : "Remark, if there is one");
  form.elements.reason.value = "";
  say(part("as"), `As ${me.person}, ${me.role}`);
  refuse("");
  dialog.showModal();
  (what.needs ? form.elements.reason : part("submit")).focus();
}

export function whenDone(told) {
  done = told;
}

function choice(hours) {
  const option = new Option(hours < 1 ? `${60 * hours} minutes` : hours < 48 ? `${hours} ${hours === 1 ? "hour" : "hours"}` : `${hours / 24} days`, 60 * hours);
  option.selected = hours === 4;
  return option;
}

function refuse(text) {
  say(part("refused"), text);
  show(part("refused"), Boolean(text));
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const mine = deed;
  const fields = form.elements;
  const body = { reason: fields.reason.value };
  if (mine.onset) body.onset = mine.onset; // what is meant is what was seen, not what came since
  if (mine.needs) body.minutes = Number(fields.minutes.value);
  const path = typeof mine.path === "function" ? mine.path(fields.subject.value) : mine.path;
  part("submit").disabled = true;
  refuse("");
  try {
    const answer = await send(path, body);
    if (answer.ok) taken(mine);
    else await refused(answer);
  } catch {
    refuse("No connection to the gateway: nothing was done, or it is not known whether it was.");
  }
  part("submit").disabled = false;
});

part("cancel").addEventListener("click", () => dialog.close());

function taken(mine) {
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
  if (answer.status !== 401) return;
  const link = child(part("refused"), "a", "Sign in");
  link.href = toSignIn();
}

function inWords({ path, value, allowed }) {
  const place = path?.startsWith("body.") ? `${path.slice(5)}: ${value}` : value;
  return `${capital(place)}. Allowed: ${allowed}.`;
}

// Buttons for what can be done; made anew only when that, or who is signed in, changes. What the
// person's role does not allow stays there, with the reason.
export function buttons(box, deeds) {
  const key = `${me.person} ${me.role} ${deeds.map((one) => `${one.button} ${one.onset || ""}`).join()}`;
  if (!mayAct || box.dataset.said === key) return;
  box.dataset.said = key;
  const focused = box.contains(document.activeElement);
  box.replaceChildren();
  for (const one of deeds) {
    const button = child(box, "button", one.short || one.button);
    const not = whyNot(deedOf(one));
    button.type = "button";
    button.setAttribute("aria-label", `${one.short || one.button}: ${one.about}${not ? `. ${not}` : ""}`);
    button.title = not;
    if (not) button.setAttribute("aria-disabled", "true");
    button.addEventListener("click", () => begin(one, not));
  }
  if (focused) box.querySelector("button")?.focus();
}

// The last word of the path is the name of the deed.
const deedOf = ({ path }) => (typeof path === "function" ? path("") : path).split("/").pop();

function begin(one, not) {
  if (not) done(not);
  else if (me.person) ask(one);
  else location.assign(toSignIn());
}
