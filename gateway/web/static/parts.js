// Finding and changing the marked parts of a page; text goes in as text, never as markup.

const WHOLES = "[data-row], [data-loop], [data-input], [data-link], .finding";

export function partsOf(root) {
  const found = {};
  for (const node of root.querySelectorAll("[data-f]")) {
    if (node.closest(WHOLES) === root.closest(WHOLES)) {
      found[node.dataset.f] = node;
    }
  }
  return found;
}

export function say(node, text) {
  if (node && node.textContent !== text) node.textContent = text;
}

export function level(node, name) {
  if (node.dataset.level !== name) node.dataset.level = name;
}

export function show(node, shown) {
  if (node.hidden === shown) node.hidden = !shown;
}

const pattern = document.getElementById("shape");

// A word with the form of its level before it.
export function mark(node, word, name) {
  level(node, name);
  if (node.dataset.said === `${name} ${word}`) return;
  node.dataset.said = `${name} ${word}`;
  const text = document.createElement("span");
  text.className = "word";
  text.textContent = word;
  node.replaceChildren(...(name === "good" || name === "none" ? [text] : [pattern.content.cloneNode(true), text]));
}

export function child(parent, tag, text, className) {
  const node = document.createElement(tag);
  if (text !== undefined) node.textContent = text;
  if (className) node.className = className;
  parent.append(node);
  return node;
}

const SVG = "http://www.w3.org/2000/svg";

export function drawn(parent, tag, attributes) {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  parent.append(node);
  return node;
}
