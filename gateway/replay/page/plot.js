// Puts the charts on the page, and moves them through time together.
const charts = [];
const all = document.getElementById("all");

function look(from, to) {
  const least = Math.max(5 * data.width, 5);
  const a = Math.max(whole[0], from), b = Math.min(whole[1], to);
  view = b - a >= least ? [a, b] : [Math.max(whole[0], (a + b - least) / 2), (a + b + least) / 2];
  all.disabled = view[0] === whole[0] && view[1] === whole[1];
  for (const chart of charts) chart.draw();
}

const parent = document.getElementById("loops");
document.getElementById("span").textContent = time.length
  ? `${stamp(whole[0])} to ${stamp(time[time.length - 1])} UTC`
  : "No rows in this time.";
for (const loop of data.loops) charts.push(new Chart(loop, parent, look));
if (data.elsewhere.length) {
  const section = make("section", "", parent);
  make("h2", "Outside the loops", section);
  for (const f of data.elsewhere) make("p", stamp(f.from) + " " + f.title, section);
}
all.addEventListener("click", () => look(...whole));
window.addEventListener("resize", () => charts.forEach((chart) => chart.draw()));
window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
  charts.forEach((chart) => chart.draw());
});
look(...whole);
