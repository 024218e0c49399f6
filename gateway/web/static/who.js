// Who is signed in on this browser, what that person may do, and until when. The gateway decides
// all of it; here it is shown, so that nobody presses in vain or is signed out without a word.

import { say, show } from "./parts.js";

const WARN_S = 120; // before the end; half of the time when there is less (WCAG 2.2, 2.2.1: at least 20 s)
const TELL_MS = 60000; // how often the gateway hears that a person is at work
const { dataset } = document.body;
const needed = JSON.parse(dataset.deeds || "{}");
const page = (id) => document.getElementById(id);
const changed = [];
let csrf = dataset.csrf || "";
let until = Date.now() + 1000 * Number(dataset.left || 0);
let told = Date.now();
let asking = false;
const whole = Number(dataset.left || 0);
const soon = 1000 * Math.min(WARN_S, whole / 2);

export const me = { person: dataset.person || "", role: dataset.role || "", may: (dataset.may || "").split(" ").filter(Boolean) };

export const mayAct = dataset.actions === "on";

// Called whenever somebody else, or nobody, is signed in.
export function whenOther(call) {
  changed.push(call);
}

export const toSignIn = () => `/sign-in?next=${encodeURIComponent(location.pathname + location.search)}`;

const least = (deed) => `${/^[aeiou]/.test(needed[deed]) ? "an" : "a"} ${needed[deed]}`;

// Why this person may not; "" where they may, or where nobody is signed in.
export function whyNot(deed) {
  if (!me.person || me.may.includes(deed)) return "";
  return `${me.person} is signed in as ${me.role}; this needs ${least(deed)}.`;
}

// One line on who acts here. deeds: [deed, what it is called in a sentence].
export function tellWho(node, deeds) {
  node.replaceChildren();
  if (!mayAct) return;
  if (!me.person) {
    const link = document.createElement("a");
    link.href = toSignIn();
    link.textContent = "Sign in";
    node.append(link, " to act here; looking is open to everybody.");
    return;
  }
  const missing = deeds.filter(([deed]) => whyNot(deed));
  const words = missing.map(([deed, name]) => `${name} needs ${least(deed)}`);
  node.textContent = words.length ? `Signed in as ${me.person}, ${me.role}: ${words.join("; ")}.` : "";
}

// Do something: the answer of the gateway. What was signed in on another tab meanwhile is taken up.
export async function send(path, body) {
  const once = () => fetch(`/api/v1/${path}`, {
    method: "POST",
    headers: { "Content-Type": "application/json", "X-CSRF-Token": csrf },
    body: JSON.stringify(body),
  });
  const before = me.person;
  let answer = await once();
  if (answer.status === 401) await ask();
  if (answer.status === 403 && (await ask()) && me.person === before) answer = await once();
  if (answer.ok && me.person) kept(whole);
  return answer;
}

// Ask who is signed in; whether it is somebody with another token than before.
export async function ask() {
  if (asking) return false;
  asking = true;
  try {
    const answer = await fetch("/api/v1/session");
    if (!answer.ok) return false;
    const found = await answer.json();
    const fresh = found.csrf !== csrf;
    const other = found.person !== me.person || found.role !== (me.role || null);
    csrf = found.csrf;
    Object.assign(me, { person: found.person, role: found.role || "", may: found.may });
    kept(found.left_s);
    if (other) tell();
    return fresh;
  } catch {
    return false; // the masthead tells that there is no connection
  } finally {
    asking = false;
  }
}

function kept(left) {
  until = Date.now() + 1000 * left;
}

function tell() {
  say(page("who"), me.person || "Signed out");
  show(page("leave"), Boolean(me.person));
  const ended = dataset.person && !me.person;
  notice(ended ? "You have been signed out: nothing was done here for a while, or somebody changed your role or password. What stands on this page stays." : "", "enter");
  for (const call of changed) call();
}

// A line that stays until it is seen to. what: "stay" offers to stay, "enter" to sign in again.
function notice(text, what) {
  const box = page("leaving");
  say(page("leaving-text"), text);
  show(page("stay"), what === "stay");
  show(page("enter"), what === "enter");
  page("enter").href = toSignIn();
  show(box, Boolean(text));
}

async function seen() {
  told = Date.now();
  const answer = await send("session/seen", {}).catch(() => null);
  if (answer?.ok) {
    kept((await answer.json()).left_s);
    watch();
  }
}

function watch() {
  if (!me.person) return;
  const left = until - Date.now();
  if (left <= 0) {
    ask();
  } else if (left < soon) {
    const seconds = Math.ceil(left / 1000);
    notice(`You are signed out in ${seconds > 90 ? `${Math.round(seconds / 60)} minutes` : `${seconds} s`}, since nothing was done here.`, "stay");
  } else if (!page("stay").hidden) {
    notice("", "");
  }
}

function atWork() {
  if (me.person && Date.now() - told > Math.min(TELL_MS, 250 * whole)) seen();
}

if (me.person) {
  for (const kind of ["pointerdown", "keydown"]) window.addEventListener(kind, atWork, { capture: true, passive: true });
  window.addEventListener("pageshow", (event) => event.persisted && ask());
  setInterval(watch, 1000);
  page("stay").addEventListener("click", seen);
  page("leave").addEventListener("submit", async (event) => {
    event.preventDefault();
    await send("session/end", {}).catch(() => null);
    location.reload(); // where looking needs a person, it leads to the sign-in page
  });
}
