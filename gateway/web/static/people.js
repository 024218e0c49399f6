// Who may sign in and who has, for an administrator, who can sign somebody out everywhere.

import { child, say } from "./parts.js";
import { send } from "./who.js";
import { many } from "./words.js";

const EVERY_MS = 30000;

export function people(section) {
  if (!section) return;
  const body = section.querySelector("tbody");
  const told = section.querySelector("[role=status]");

  async function look() {
    try {
      const answer = await fetch("/api/v1/people");
      if (answer.ok) fill(await answer.json());
    } catch {
      // the masthead tells that there is no connection
    }
  }

  function fill(rows) {
    const said = JSON.stringify(rows);
    if (body.dataset.said === said) return;
    body.dataset.said = said;
    body.replaceChildren();
    for (const { name, role, signed_in: count } of rows) {
      const row = child(body, "tr");
      child(row, "th", name).scope = "row";
      child(row, "td", role).dataset.label = "Role";
      child(row, "td", count ? `signed in on ${many(count, "browser")}` : "not signed in").dataset.label = "Now";
      const cell = child(row, "td");
      if (!count) continue;
      const button = child(cell, "button", "Sign out");
      button.type = "button";
      button.setAttribute("aria-label", `Sign out ${name} everywhere`);
      button.addEventListener("click", () => signOut(name));
    }
  }

  async function signOut(name) {
    const answer = await send(`people/${encodeURIComponent(name)}/sign-out`, {}).catch(() => null);
    say(told, answer?.ok ? `${name} is signed out everywhere.` : "That could not be done.");
    if (answer?.ok) fill(await answer.json());
  }

  look();
  setInterval(() => document.hidden || look(), EVERY_MS);
}
