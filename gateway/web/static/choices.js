// What a viewer has chosen on this device: unit of pressures, clock, colours, size. Kept until
// somebody chooses otherwise; nothing of it leaves the device.

const KEY = "shown-";
const form = document.getElementById("choices");

// "" is: as the site file (unit, clock) or the device (colours) has it, and the usual size.
export function choice(name) {
  const value = stored(name);
  const field = form?.elements[name];
  return !field || [...field.options].some((option) => option.value === value) ? value : "";
}

function stored(name) {
  try {
    return localStorage.getItem(KEY + name) || "";
  } catch {
    return ""; // a browser that keeps nothing
  }
}

form?.addEventListener("change", (event) => {
  const { name, value } = event.target;
  try {
    if (value) localStorage.setItem(KEY + name, value);
    else localStorage.removeItem(KEY + name);
  } catch {
    return;
  }
  if (name === "unit" || name === "clock") location.reload(); // every figure and every plot
  else window.applyLook();
});

for (const field of form?.elements || []) field.value = choice(field.name);
form?.addEventListener("submit", (event) => event.preventDefault());
