// Comfort only: one more row for a reading without asking the server. Everything works without it.
const list = document.querySelector(".readings");
if (list) {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "quietly";
  button.textContent = "One more reading";
  button.addEventListener("click", () => {
    const last = list.lastElementChild;
    const row = last.cloneNode(true);
    const before = Number(/^r(\d+)\./.exec(last.querySelector("select").name)[1]);
    for (const field of row.querySelectorAll("select, input")) {
      field.name = field.name.replace(/^r\d+\./, `r${before + 1}.`);
      field.id = field.name;
      if (field.tagName === "INPUT") field.value = "";
      else field.selectedIndex = 0;
      field.removeAttribute("aria-invalid");
      field.removeAttribute("aria-describedby");
    }
    for (const label of row.querySelectorAll("label")) label.htmlFor = label.htmlFor.replace(/^r\d+\./, `r${before + 1}.`);
    for (const problem of row.querySelectorAll(".problem")) problem.remove();
    list.append(row);
    row.querySelector("select").focus();
  });
  list.after(button);
}
