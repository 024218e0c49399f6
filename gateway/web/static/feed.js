// The live stream: opens it, judges whether what is shown is live, and comes back by itself.
// Words for the judgement: waiting, live, stale (no new rows), lost (no gateway), paused (hidden).

const SILENCE_MS = 12000; // the gateway says something at least every 5 s
const PATIENCE_MS = 4000; // how long a new connection may take before it counts as lost
const AGAIN_MS = 8000;

// Gives a function that follows another stream from then on.
export function follow(first, told) {
  let address = first;
  let source = null;
  let link = "trying"; // "heard" from the first event on, "broken" after an error
  let opened = 0;
  let heard = 0;
  let state = null;
  let taken = [0, 0];
  let word = "";

  function connect() {
    if (source) source.close();
    opened = Date.now();
    heard = opened;
    link = "trying";
    source = new EventSource(address);
    source.addEventListener("state", (event) => {
      link = "heard";
      taken = [Date.now(), performance.now()];
      state = JSON.parse(event.data);
      judge();
      told.state(state, word);
      heard = Date.now(); // only what could be shown counts as heard
    });
    source.addEventListener("error", () => {
      link = "broken";
      judge();
    });
  }

  // Both clocks, since one may stand still while a device sleeps and the other may be set back.
  function age() {
    const passed = Math.max(Date.now() - taken[0], performance.now() - taken[1], 0);
    return state.age_s + passed / 1000;
  }

  function judged() {
    if (document.hidden) return "paused";
    if (link === "trying" && Date.now() - opened < PATIENCE_MS) return word === "live" ? "waiting" : word || "waiting";
    if (link !== "heard" || Date.now() - heard > SILENCE_MS) return "lost";
    if (!state || state.time === null) return "waiting";
    return age() > state.fresh_within_s ? "stale" : "live";
  }

  function judge() {
    const now = judged();
    if (now !== word) {
      word = now;
      told.feed(word, state);
    }
  }

  function watch() {
    judge();
    if (word === "lost" && Date.now() - opened > AGAIN_MS) connect();
  }

  function wake() {
    if (document.hidden) {
      if (source) source.close();
      source = null;
    } else if (!source || word !== "live") {
      connect();
    }
    judge();
  }

  document.addEventListener("visibilitychange", wake);
  window.addEventListener("pageshow", (event) => event.persisted && wake());
  window.addEventListener("online", wake);
  setInterval(watch, 1000);
  wake();

  return (other) => {
    address = other;
    if (!document.hidden) connect();
  };
}
