// A visit record filled in on a phone: checks it, and gives the row of visits.csv as text and as a file. Nothing is sent
// or remembered.
"use strict";
// The same rule as for the list's CSV and for the CSV files of the night: a text that a spreadsheet would run as a
// formula gets an apostrophe in front.
const formula = /^(?:[\s\p{Cc}\p{Cf}]*[=+\-@\uff1d\uff0b\uff0d\uff20\ufe66\ufe62\ufe63\ufe6b]|[\t\r])/u;
const inner = /([;\t\r\n][\s\p{Cc}\p{Cf}]*)([=+\-@\uff1d\uff0b\uff0d\uff20\ufe66\ufe62\ufe63\ufe6b])/gu;
function csvCell(text) {
  const isNumber = /^[-+]?[\d.]+(e[-+]?\d+)?$/i.test(text);
  const safe = isNumber ? text : (formula.test(text) ? "'" : "") + text.replace(inner, "$1'$2");
  return /[",\r\n]/.test(safe) ? `"${safe.replace(/"/g, '""')}"` : safe;
}

// One visit is one line: what was typed on several is put on one.
function oneLine(text) {
  return text.replace(/[\s\p{Cc}]+/gu, " ").trim();
}

function csvLine(cells) {
  return cells.map((cell) => csvCell(cell || "")).join(",");
}

// What is wrong with the values, by field; `legs` are the legs the finding can be on, `first` and `today` days as
// YYYY-MM-DD.
function mistakes(values, { legs, first, today }) {
  const wrong = {};
  if (!/^\d{4}-\d{2}-\d{2}$/.test(values.visited_on)) wrong.visited_on = "Enter the day of the visit.";
  else if (values.visited_on > today) wrong.visited_on = "This day is still to come.";
  else if (first && values.visited_on < first) wrong.visited_on = `The home is in service since ${first} only.`;
  if (!values.found) wrong.found = "Choose what was found.";
  if (legs.length && !values.leg) wrong.leg = "Choose the leg.";
  else if (values.leg && !legs.includes(values.leg)) wrong.leg = "This can't be on that leg.";
  if (values.found && values.fixed !== "true" && values.fixed !== "false") wrong.fixed = "Say whether it is fixed.";
  return wrong;
}

function today() {
  const now = new Date();
  const two = (number) => String(number).padStart(2, "0");
  return `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}`;
}

function start(form) {
  const byId = (id) => document.getElementById(id);
  const columns = form.dataset.columns.split(" ");
  const checked = (name) => form.querySelector(`input[name="${name}"]:checked`);

  function finding() {
    const choice = checked("found");
    const legs = choice ? choice.dataset.legs.split(" ").filter(Boolean) : [];
    return { code: choice ? choice.value : "", legs, isFault: Boolean(choice && choice.dataset.fault) };
  }

  // Offers only what goes with the finding; a leg or an answer that is the only one is set.
  function follow() {
    const { code, legs, isFault } = finding();
    for (const input of form.querySelectorAll('input[name="leg"]')) {
      input.disabled = !legs.includes(input.value);
      if (input.disabled) input.checked = false;
      if (legs.length === 1 && legs[0] === input.value) input.checked = true;
    }
    byId("leg-field").hidden = !legs.length;
    const isSound = Boolean(code) && !isFault;
    byId("fixed-field").hidden = isSound;
    if (isSound) byId("fixed-false").checked = true;
  }

  function values() {
    const row = {};
    for (const name of columns) {
      const choice = checked(name);
      const field = form.elements[name];
      row[name] = choice ? choice.value : field && field.value || "";
      if (!name.endsWith("_id") || name === "crew_id") row[name] = oneLine(row[name]);
    }
    return row;
  }

  function row() {
    const now = values();
    const wrong = mistakes(now, { legs: finding().legs, first: form.dataset.first, today: today() });
    for (const place of form.querySelectorAll("[data-wrong]")) {
      place.textContent = wrong[place.dataset.wrong] || "";
    }
    const isRight = Object.keys(wrong).length === 0;
    byId("state").textContent = isRight ? "" : "Not complete: see the lines marked above.";
    byId("row").value = isRight ? csvLine(columns.map((name) => now[name])) : "";
    if (!isRight) form.querySelector("[data-wrong]:not(:empty)").scrollIntoView({ block: "center" });
    return byId("row").value;
  }

  async function copy() {
    const text = row();
    if (!text) return;
    try {
      await navigator.clipboard.writeText(text + "\n");
    } catch {
      byId("row").select();
      document.execCommand("copy");
    }
    byId("state").textContent = "Copied. Paste it as a new line at the end of visits.csv.";
  }

  function save() {
    const text = row();
    if (!text) return;
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([`${columns.join(",")}\n${text}\n`], { type: "text/csv" }));
    link.download = `${values().visit_id}.csv`;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
    byId("state").textContent = "Saved. Add its row to visits.csv.";
  }

  if (!form.elements.visited_on.value) form.elements.visited_on.value = today();
  form.addEventListener("change", follow);
  form.addEventListener("submit", (event) => event.preventDefault());
  byId("copy").addEventListener("click", copy);
  byId("save").addEventListener("click", save);
  form.hidden = false;
  follow();
}

if (typeof document === "undefined") module.exports = { csvLine, mistakes, oneLine };
else start(document.getElementById("visit"));
