// Moving in time by keys and by fingers; the mouse is the plots' own.

export function gestures(box, { move, zoom, home }) {
  box.addEventListener("keydown", (event) => {
    if (event.target !== box || event.ctrlKey || event.altKey || event.metaKey) return;
    const deeds = { ArrowLeft: () => move(-0.2), ArrowRight: () => move(0.2), "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2), Home: home };
    if (!deeds[event.key]) return;
    event.preventDefault();
    deeds[event.key]();
  });

  // One finger moves, two fingers zoom; up and down still scrolls the page (touch-action).
  const fingers = new Map();
  let from = null;
  box.addEventListener("pointerdown", (event) => {
    if (event.pointerType !== "touch" || event.target.closest("button, .keys")) return;
    fingers.set(event.pointerId, event.clientX);
    from = spread();
  });
  box.addEventListener("pointermove", (event) => {
    if (fingers.has(event.pointerId)) fingers.set(event.pointerId, event.clientX);
  });
  for (const name of ["pointerup", "pointercancel"]) box.addEventListener(name, ended);

  function spread() {
    const at = [...fingers.values()];
    return { middle: at.reduce((a, b) => a + b, 0) / at.length, width: Math.max(...at) - Math.min(...at), n: at.length };
  }

  function ended(event) {
    if (!fingers.has(event.pointerId)) return;
    const to = spread();
    fingers.clear();
    const whole = box.clientWidth;
    if (event.type === "pointercancel" || !from || to.n !== from.n) return;
    if (to.n === 2 && from.width > 30 && to.width > 30) zoom(from.width / to.width);
    else if (Math.abs(to.middle - from.middle) > 24) move((from.middle - to.middle) / whole);
  }
}
