// After work on a loop: what was learnt of it is forgotten, at the wish of a person.

import { say } from "./parts.js";
import { me, send, toSignIn, whenOther, whyNot } from "./who.js";

const DEED = "relearn";

export function relearning(form) {
  if (!form) return;
  const told = form.querySelector("[role=status]");
  const button = form.querySelector("button");

  function allowed() {
    const not = whyNot(DEED);
    button.title = not;
    if (not) button.setAttribute("aria-disabled", "true");
    else button.removeAttribute("aria-disabled");
    say(told, not);
  }

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (whyNot(DEED)) return;
    if (!me.person) {
      location.assign(toSignIn());
      return;
    }
    try {
      const answer = await send(form.dataset.path, { reason: form.elements.reason.value });
      if (answer.ok) form.reset();
      say(told, answer.ok ? "It begins anew within seconds, and stands in the journal." : await inWords(answer));
    } catch {
      say(told, "No connection to the gateway: it is not known whether that was done.");
    }
  });
  whenOther(allowed);
  allowed();
}

async function inWords(answer) {
  const { faults } = await answer.json().catch(() => ({ faults: [{ value: `Answer ${answer.status}`, allowed: "a later try" }] }));
  return faults.map(({ value, allowed }) => `${value}. Allowed: ${allowed}.`).join(" ");
}
