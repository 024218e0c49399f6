// The rows of a page of the overview: those that need a person apart from those that do not.

import { overviewRow } from "./row.js";

const CALM = ["good", "function check"];

export function rows(needs, calm) {
  const known = new Map();

  return (views, now) => {
    const ids = new Set(views.map(keyOf));
    for (const [key, row] of known) {
      if (!ids.has(key)) {
        row.node.remove();
        known.delete(key);
      }
    }
    const focused = document.activeElement;
    const next = new Map([[needs, 0], [calm, 0]]);
    for (const view of views) {
      if (!known.has(keyOf(view))) known.set(keyOf(view), overviewRow(view));
      const row = known.get(keyOf(view));
      row.update(view, now);
      const box = CALM.includes(view.status) ? calm : needs;
      const at = next.get(box);
      if (box.children[at] !== row.node) box.insertBefore(row.node, box.children[at] || null);
      next.set(box, at + 1);
    }
    if (focused?.isConnected && focused !== document.activeElement) focused.focus({ preventScroll: true });
  };
}

// Another unit or scale is another row: the site file has changed.
const keyOf = (view) => `${view.kind} ${view.id} ${view.unit} ${view.span}`;
