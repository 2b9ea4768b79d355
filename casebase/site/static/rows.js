// Comfort only; everything works without it: one more row, the rows of the network chosen, and what is typed stands
// in the address, so that a reload keeps it.
const form = document.querySelector("#job");
const list = form && form.querySelector(".readings");
if (list) {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "quietly";
  button.textContent = "One more reading";
  button.addEventListener("click", () => {
    const numbers = [...form.elements].map((field) => Number((/^r(\d+)\./.exec(field.name) || [0, 0])[1]));
    const next = Math.max(...numbers) + 1;
    const row = list.lastElementChild.cloneNode(true);
    for (const field of row.querySelectorAll("select, input")) {
      field.name = field.name.replace(/^r\d+\./, `r${next}.`);
      field.id = field.name;
      if (field.tagName === "INPUT") field.value = "";
      else field.selectedIndex = 0;
      field.removeAttribute("aria-invalid");
      field.removeAttribute("aria-describedby");
    }
    for (const label of row.querySelectorAll("label")) label.htmlFor = label.htmlFor.replace(/^r\d+\./, `r${next}.`);
    for (const problem of row.querySelectorAll(".problem")) problem.remove();
    list.append(row);
    row.querySelector("select").focus();
  });
  list.after(button);

  const show = form.querySelector(".rows");
  show.hidden = true;
  for (const field of form.querySelectorAll("select[name^=medium]")) {
    field.addEventListener("change", () => form.requestSubmit(show.querySelector("button")));
  }

  const typed = () => {
    const told = [...new FormData(form)].filter(([, text]) => text.trim());
    const rows = new Set(told.flatMap(([name, text]) => {
      const row = /^(r\d+)\.(\w+)$/.exec(name);
      return row && (!["what", "state", "unit"].includes(row[2]) || text === "OL") ? [row[1]] : [];
    }));
    const kept = told.filter(([name]) => !/^r\d+\./.test(name) || rows.has(name.split(".")[0]));
    return new URLSearchParams(kept.length ? [...kept, ["_form", "open"]] : []).toString();
  };
  form.addEventListener("input", () => {
    const query = typed();
    history.replaceState(null, "", query.length < 20000 ? `/job${query ? `?${query}` : ""}` : location.href);
  });
}
