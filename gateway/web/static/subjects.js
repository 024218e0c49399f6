// Everything of the site in a list to choose from, made when somebody is about to choose: a large
// site has thousands.

const pattern = document.getElementById("subjects");

// acting: only what can be taken out of service, with values such as "loops/stair-b".
export function offer(select, acting = false) {
  if (select.dataset.offered) return;
  select.dataset.offered = "";
  for (const group of [...pattern.content.cloneNode(true).children]) {
    const kind = group.label.toLowerCase();
    if (acting && kind === "controllers") continue;
    if (acting) for (const option of group.children) option.value = `${kind}/${option.value}`;
    select.append(group);
  }
}
