// Telling the gateway what was done in a loop check: who, the token, and its answer.
// Name and token end with the tab, as on the alarms page, and are the same there.

import { show } from "./parts.js";
import { capital } from "./words.js";

const PERSON = "acting-person";
const TOKEN = "acting-token";
const form = document.getElementById("who");
const row = document.getElementById("token-row");

form.elements.person.value = sessionStorage.getItem(PERSON) || "";
needToken(!sessionStorage.getItem(TOKEN));
form.addEventListener("submit", (event) => event.preventDefault());
form.elements.person.addEventListener("input", () => sessionStorage.setItem(PERSON, form.elements.person.value.trim()));

function needToken(asked) {
  show(row, asked);
  form.elements.token.disabled = !asked;
}

// The answer of the gateway; an Error with words for the person when there is none, or it says no.
export async function tell(path, body) {
  if (!form.reportValidity()) throw new Error("Say who you are first.");
  const asked = !form.elements.token.disabled;
  const token = asked ? form.elements.token.value.trim() : sessionStorage.getItem(TOKEN);
  let answer;
  try {
    answer = await fetch(`/api/v1/checks${path}`, {
      method: "POST",
      headers: { "Content-Type": "application/json", Authorization: `Bearer ${token}` },
      body: JSON.stringify({ person: form.elements.person.value.trim(), ...body }),
    });
  } catch {
    throw new Error("No connection to the gateway: it is not known whether that was done.");
  }
  if (answer.status === 401) {
    sessionStorage.removeItem(TOKEN);
    needToken(true);
  }
  if (!answer.ok) throw new Error(await inWords(answer));
  if (asked) {
    sessionStorage.setItem(TOKEN, token);
    form.elements.token.value = "";
    needToken(false);
  }
  return answer.json();
}

async function inWords(answer) {
  try {
    const { faults } = await answer.json();
    return faults.map(({ path, value, allowed }) => `${capital(path.startsWith("body.") ? `${path.slice(5)}: ${value}` : value)}. Allowed: ${allowed}.`).join(" ");
  } catch {
    return `The gateway answered ${answer.status}.`;
  }
}

export async function look(path) {
  const answer = await fetch(`/api/v1/checks${path}`);
  if (!answer.ok) throw new Error(`The gateway answered ${answer.status}.`);
  return answer.json();
}
