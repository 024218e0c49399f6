// A few words that a deed needs, asked for in a dialog of the page itself.

import { say } from "./parts.js";

const dialog = document.getElementById("asking");
const { words } = dialog.querySelector("form").elements;

document.getElementById("asking-not").addEventListener("click", () => dialog.close());

// The words; "" when the person would rather not. title, about and button are what the dialog says.
export function ask(title, about, button) {
  say(document.getElementById("asking-h"), title);
  say(document.getElementById("asking-about"), about);
  say(document.getElementById("asking-do"), button);
  words.value = "";
  dialog.returnValue = "";
  dialog.showModal();
  words.focus();
  return new Promise((told) => {
    const closed = () => told(dialog.returnValue === "said" ? words.value.trim() : "");
    dialog.addEventListener("close", closed, { once: true });
  });
}
