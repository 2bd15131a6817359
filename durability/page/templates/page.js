// What the page does by itself: takes a dropped file, changes a cell, watches a run.
"use strict";

const say = (place, words) => { if (place) place.textContent = words; };

async function ask(address, options) {
  try {
    return await fetch(address, { redirect: "manual", ...options });
  } catch {
    return null; // the program was closed
  }
}

const GONE = "The program does not answer. Was it closed? Start it again and open its new address.";

// a spreadsheet is dropped or chosen
async function take(zone, file) {
  const said = zone.querySelector(".said");
  say(said, `Reading ${file.name} …`);
  const join = zone.dataset.take.includes("?") ? "&" : "?";
  const answer = await ask(`${zone.dataset.take}${join}name=${encodeURIComponent(file.name)}`,
    { method: "POST", body: file, headers: { "content-type": "application/octet-stream" } });
  if (answer === null) return say(said, GONE);
  if (answer.status === 413) return say(said, "The file is larger than 100 MB.");
  const told = await answer.json().catch(() => ({}));
  if (told.go) location.assign(told.go);
  else say(said, told.words || "The file could not be taken in.");
}

for (const zone of document.querySelectorAll(".drop")) {
  zone.querySelector("input").addEventListener("change", (e) => {
    if (e.target.files.length) take(zone, e.target.files[0]);
  });
  zone.addEventListener("dragover", (e) => { e.preventDefault(); zone.classList.add("over"); });
  zone.addEventListener("dragleave", () => zone.classList.remove("over"));
  zone.addEventListener("drop", (e) => {
    e.preventDefault();
    zone.classList.remove("over");
    if (e.dataTransfer.files.length) take(zone, e.dataTransfer.files[0]);
  });
}
addEventListener("dragover", (e) => e.preventDefault()); // a file beside the zone must not replace the page
addEventListener("drop", (e) => e.preventDefault());

for (const form of document.querySelectorAll("form[data-auto]")) {
  form.addEventListener("change", () => form.submit());
}

// one study
const work = document.getElementById("work");

function place(html, cell) {
  work.innerHTML = html; // made and escaped by the program
  const again = cell && work.querySelector(`td[data-row="${cell.row}"][data-column="${cell.column}"]`);
  if (again) again.focus();
  watch();
}

async function mend(change, cell) {
  const answer = await ask(`${work.dataset.base}/mend${location.search}`,
    { method: "POST", body: JSON.stringify(change), headers: { "content-type": "application/json" } });
  if (answer === null) return say(document.getElementById("words"), GONE);
  const told = await answer.json().catch(() => null);
  if (told) place(told.html, cell);
}

function change(td) {
  if (td.querySelector("input")) return;
  const { row, column, was } = td.dataset;
  const table = td.closest("table");
  const field = document.createElement("input");
  field.value = was;
  field.maxLength = 2000;
  field.setAttribute("aria-label", `Row ${row}, column ${column}`);
  const before = [...td.childNodes];
  td.replaceChildren(field);
  field.focus();
  field.select();
  let over = false;
  const end = (keep) => {
    if (over) return;
    over = true;
    if (!keep || field.value === was) { td.replaceChildren(...before); if (!keep) td.focus(); return; }
    mend({ file: table.dataset.file, row: +row, column: +column, was, text: field.value }, { row, column });
  };
  field.addEventListener("keydown", (e) => {
    if (e.key === "Enter") end(true);
    if (e.key === "Escape") end(false);
    e.stopPropagation();
  });
  field.addEventListener("blur", () => end(true));
}

function press(button) {
  const table = document.getElementById("cells");
  const d = button.dataset;
  if (d.write !== undefined) {
    mend({ file: table.dataset.file, row: +d.row, column: +d.column, was: d.was, text: d.write });
  } else if (d.show) {
    const [row, column] = d.show.split(".");
    const td = work.querySelector(`td[data-row="${row}"][data-column="${column}"]`);
    if (td) { td.scrollIntoView({ block: "center", inline: "center" }); change(td); }
  } else if (d.add) {
    const field = work.querySelector(`[data-fill="${d.add}"]`);
    mend({ file: table.dataset.file, column_name: d.add, text: field.value });
  } else if (d.act) {
    act(button, d.act);
  }
}

async function act(button, what) {
  button.disabled = true;
  const answer = await ask(`${work.dataset.base}/${what}`, { method: "POST" });
  const told = answer && await answer.json().catch(() => ({}));
  if (!answer) say(document.getElementById("words"), GONE);
  await refresh();
  if (answer && !answer.ok) say(document.getElementById("words"), told.words || "This was not done.");
}

async function refresh() {
  const answer = await ask(`${work.dataset.base}/work${location.search}`);
  if (answer && answer.ok) place(await answer.text());
}

let waiting = 0;
function watch() {
  clearTimeout(waiting);
  const section = document.getElementById("running");
  if (section && section.dataset.state === "running") waiting = setTimeout(look, 700);
}

async function look() {
  const answer = await ask(`${work.dataset.base}/progress`);
  if (!answer || !answer.ok) return say(document.getElementById("words"), GONE);
  const run = await answer.json();
  if (run.state !== "running") {
    await refresh();
    if (run.state === "done") document.getElementById("answer")?.scrollIntoView();
    return;
  }
  say(work.querySelector("[data-stage]"), run.stage);
  say(work.querySelector("[data-seconds]"), run.seconds);
  const bar = work.querySelector("progress");
  if (bar) bar.value = run.share;
  watch();
}

if (work) {
  work.addEventListener("click", (e) => {
    const button = e.target.closest("button");
    if (button) return press(button);
    const td = e.target.closest("td[tabindex]");
    if (td && e.target.tagName !== "INPUT") change(td);
  });
  work.addEventListener("keydown", (e) => {
    if (e.key === "Enter" && e.target.matches("td[tabindex]")) { e.preventDefault(); change(e.target); }
  });
  watch();
}
