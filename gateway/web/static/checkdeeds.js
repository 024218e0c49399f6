// Telling the gateway what was done in a loop check, and its answer. Who does it is who is signed in.

import { capital } from "./words.js";
import { me, mayAct, send, tellWho, toSignIn, whenOther, whyNot } from "./who.js";

const DEED = "check";
const FORMS = "#begin button, #check button";

who();
whenOther(who);

// Who checks here; buttons stay, with the reason, where the person's role does not allow it.
function who() {
  tellWho(document.getElementById("may"), [[DEED, "a loop check"]]);
  const not = whyNot(DEED);
  for (const button of document.querySelectorAll(FORMS)) {
    button.title = not;
    if (not || !mayAct) button.setAttribute("aria-disabled", "true");
    else button.removeAttribute("aria-disabled");
  }
}

// The answer of the gateway; an Error with words for the person when there is none, or it says no.
export async function tell(path, body) {
  const not = whyNot(DEED);
  if (not) throw new Error(not);
  if (!me.person && mayAct) {
    location.assign(toSignIn());
    throw new Error("Sign in first.");
  }
  let answer;
  try {
    answer = await send(`checks${path}`, body);
  } catch {
    throw new Error("No connection to the gateway: it is not known whether that was done.");
  }
  if (!answer.ok) throw new Error(await inWords(answer));
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
