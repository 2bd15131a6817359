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
    const words = ask.dataset.answer.split("{n}").map((text) => text.replace(/\{(\d)\}/g,
      (_, k) => blanks[k].selectedOptions[0].dataset.words));
    part("number").textContent = number;
    part("unit").textContent = unit;
    part("again").textContent = cell ? `${number} ${unit}` : "";
    for (const quoted of [part("number"), part("again")]) {
      if (cell) quoted.dataset.statement = cell.dataset.statement;
      else delete quoted.dataset.statement;
    }
    part("hint").textContent = cell ? cell.title : "";
    part("before").textContent = cell ? words[0] : "The study does not answer this.";
    part("after").textContent = cell ? words[1] : "";
  };
  for (const blank of ask.querySelectorAll(".blank")) blank.remove();
  for (const select of blanks) {
    select.hidden = false;
    select.addEventListener("change", answer);
  }
  answer();
}
