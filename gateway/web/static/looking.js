// Searching, filtering and turning pages of a live list; what is looked for stands in the address,
// so that it can be kept and sent.

import { say, show } from "./parts.js";
import { count } from "./words.js";

const page = (id) => document.getElementById(id);

// size: of a page unless the address says otherwise. few: how many there may be before the form
// shows. changed(): look again. Gives { query(), update(state, shown on this page) }.
export function looking(size, few, changed) {
  const form = page("looking");
  const asked = wanted(location.search, size);
  let latest = null;
  let waiting = 0;

  form.elements.text.value = asked.text;
  const radio = [...form.elements.status].find((one) => one.value === asked.status);
  if (radio) radio.checked = true;
  else asked.status = "";

  function query() {
    const words = new URLSearchParams();
    for (const name of ["text", "status"]) if (asked[name]) words.set(name, asked[name]);
    if (asked.page > 1) words.set("page", asked.page);
    if (asked.size !== size) words.set("size", asked.size);
    return words.size ? `?${words}` : "";
  }

  function update(state, here) {
    latest = state;
    show(form, state.total > few || Boolean(asked.text || asked.status));
    for (const label of form.querySelectorAll("[data-status]")) {
      const status = label.dataset.status;
      const number = status ? state.counts[status] : state.total;
      say(label.querySelector("b"), count(number));
      show(label, !status || number > 0 || asked.status === status);
    }
    show(page("leaves"), state.pages > 1);
    const first = (state.page - 1) * asked.size + 1;
    say(page("leaf"), `${count(first)} to ${count(first + here - 1)} of ${count(state.matched)}`);
    page("back").disabled = state.page <= 1;
    page("forth").disabled = state.page >= state.pages;
  }

  function look(changes) {
    Object.assign(asked, changes);
    history.replaceState(null, "", location.pathname + query());
    changed();
  }

  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("input", () => {
    clearTimeout(waiting);
    waiting = setTimeout(() => look({ text: form.elements.text.value.trim(), status: form.elements.status.value, page: 1 }), 250);
  });
  const turn = (by) => {
    look({ page: latest.page + by });
    document.getElementById("main").scrollIntoView({ block: "start" });
  };
  page("back").addEventListener("click", () => turn(-1));
  page("forth").addEventListener("click", () => turn(1));

  return { query, update };
}

function wanted(search, size) {
  const query = new URLSearchParams(search);
  const given = Number(query.get("size"));
  return {
    text: query.get("text") || "",
    status: query.get("status") || "",
    page: Math.max(1, Number(query.get("page")) || 1),
    size: Number.isInteger(given) && given >= 1 && given <= 100 ? given : size,
  };
}
