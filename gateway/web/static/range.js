// Which stretch of time is shown: the last so many seconds up to now, or from one instant to another.

const LONGEST = 3 * 366 * 86400;
const SHORTEST = 20;

export function range(changed) {
  const state = read() || { live: true, span: 600, from: 0, to: 0 };

  const self = {
    get live() { return state.live; },
    get span() { return state.live ? state.span : state.to - state.from; },
    ends(now) { return state.live ? [now - state.span, now] : [state.from, state.to]; },
    last(span) { set({ live: true, span }); },
    between(from, to, now) {
      if (!(to > from)) return;
      const span = Math.min(LONGEST, Math.max(SHORTEST, to - from));
      const end = Math.min((from + to) / 2 + span / 2, now);
      set({ live: false, from: end - span, to: end });
    },
    // by: share of what is shown
    move(by, now) {
      const [from, to] = self.ends(now);
      if (to + by * (to - from) >= now) self.last(to - from);
      else self.between(from + by * (to - from), to + by * (to - from), now);
    },
    zoom(by, now, at = 0.5) {
      const [from, to] = self.ends(now);
      const span = (to - from) * by;
      if (state.live) return self.last(Math.min(LONGEST, Math.max(SHORTEST, span)));
      const middle = from + at * (to - from);
      return self.between(middle - at * span, middle + (1 - at) * span, now);
    },
  };
  return self;

  function set(next) {
    Object.assign(state, next);
    write(state);
    changed();
  }
}

// It stands in the address, so that it can be kept and sent.
function read() {
  const query = new URLSearchParams(location.search);
  const [from, to, span] = ["from", "to", "span"].map((name) => Number(query.get(name)));
  if (from > 0 && to > from && to - from <= LONGEST) return { live: false, span: to - from, from, to };
  if (span >= SHORTEST && span <= LONGEST) return { live: true, span, from: 0, to: 0 };
  return null;
}

function write({ live, span, from, to }) {
  const query = live ? `?span=${Math.round(span)}` : `?from=${Math.round(from)}&to=${Math.round(to)}`;
  history.replaceState(null, "", location.pathname + query);
}
