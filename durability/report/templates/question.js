"use strict";
// Looks up the answer to the blanks as chosen; every answer stands in a table of this page.
for (const ask of document.querySelectorAll(".ask")) {
  const blanks = [...ask.querySelectorAll("select")];
  const part = (name) => ask.querySelector("." + name);
  const answer = () => {
    const key = ask.id + blanks.map((b) => b.value).join(".");
    const cell = document.querySelector(`[data-key~="${key}"]`);
    const number = cell ? cell.textContent : "no answer";
    const unit = cell ? cell.dataset.unit || (number === "1" ? "day" : "days") : "";
    part("number").textContent = number;
    if (cell) part("number").dataset.statement = cell.dataset.statement;
    else delete part("number").dataset.statement;
    part("unit").textContent = unit;
    part("hint").textContent = cell ? cell.title : "";
    part("said").textContent = cell
      ? ask.dataset.answer.replace(/\{(\w)\}/g, (_, k) =>
          k === "n" ? `${number} ${unit}` : blanks[k].selectedOptions[0].dataset.words)
      : "The study does not answer this.";
  };
  for (const blank of ask.querySelectorAll(".blank")) blank.remove();
  for (const select of blanks) {
    select.hidden = false;
    select.addEventListener("change", answer);
  }
  answer();
}
