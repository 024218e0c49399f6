// The sign-in page: name and password to the gateway, and back to where one came from.

import { say, show } from "./parts.js";

const form = document.getElementById("sign-in");
const refused = document.getElementById("refused");
const button = form.querySelector("button");

function refuse(text) {
  say(refused, text);
  show(refused, Boolean(text));
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  refuse("");
  button.disabled = true;
  try {
    const answer = await fetch("/api/v1/session/begin", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ name: form.elements.name.value, password: form.elements.password.value }),
    });
    if (answer.ok) {
      location.replace(form.dataset.next);
      return;
    }
    const wait = answer.headers.get("Retry-After");
    if (answer.status === 401) refuse("Name or password is not right.");
    else if (wait) refuse(`Too many attempts. Try again in ${wait} s.`);
    else refuse(await inWords(answer));
  } catch {
    refuse("No connection to the gateway.");
  }
  button.disabled = false;
  form.elements.password.value = "";
  form.elements.password.focus();
});

async function inWords(answer) {
  try {
    const { faults } = await answer.json();
    return faults.map(({ path, value, allowed }) => `${path}: ${value}. Allowed: ${allowed}.`).join(" ");
  } catch {
    return `The gateway answered ${answer.status}.`;
  }
}
