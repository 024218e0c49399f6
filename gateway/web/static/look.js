// Colours and size, before anything is drawn. Not a module: modules run after the first paint.

window.applyLook = () => {
  let colours = "";
  let size = "";
  try {
    colours = localStorage.getItem("shown-colours") || "";
    size = localStorage.getItem("shown-size") || "";
  } catch {
    // a browser that keeps nothing
  }
  const media = { dark: "screen", light: "not all" }[colours] || "screen and (prefers-color-scheme: dark)";
  document.getElementById("dark").media = media;
  document.documentElement.dataset.size = size;
  window.dispatchEvent(new Event("look"));
};
window.applyLook();
