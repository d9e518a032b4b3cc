// Filters and counts the list, which sort.js sorts; draws where the first N of the list end; saves the rows shown as CSV.
(function () {
  "use strict";
  const byId = (id) => document.getElementById(id);
  const tables = ["visits", "office"].map(byId);
  const rows = tables.flatMap((table) => Array.from(table.tBodies[0].rows));
  const selects = Array.from(document.querySelectorAll("[data-filter]"));
  const line = document.createElement("tr");
  line.className = "line";
  line.setAttribute("role", "row");
  const lineCell = line.insertCell();
  lineCell.setAttribute("role", "cell");

  const haystack = new Map(rows.map((row) => {
    const d = row.dataset;
    const text = [d.site_id, d.area, d.words, d.evidence, d.also_possible, d.bring, d.standing, d.crew_id].join(" ");
    return [row, text.toLowerCase()];
  }));

  function passes(row, without) {
    const least = Number(byId("f-likelihood").value) / 100;
    if (Number(row.dataset.likelihood || 0) < least) return false;
    const text = byId("f-text").value.trim().toLowerCase();
    if (text && !haystack.get(row).includes(text)) return false;
    return selects.every((select) => select === without || select.value === "*" ||
      select.value === "=" + row.dataset[select.dataset.filter]);
  }

  function countChoices() {
    for (const select of selects) {
      const found = new Map();
      let all = 0;
      for (const row of rows) {
        if (!passes(row, select)) continue;
        const value = "=" + row.dataset[select.dataset.filter];
        found.set(value, (found.get(value) || 0) + 1);
        all += 1;
      }
      for (const option of select.options) {
        option.textContent = option.value === "*" ? `all (${all})`
          : `${option.dataset.name} (${found.get(option.value) || 0})`;
      }
    }
  }

  function spent(total) {
    const hours = Math.floor(total / 60);
    return hours ? `${hours} h ${String(total % 60).padStart(2, "0")} min` : `${total} min`;
  }

  // The first N of the list are those of the list alone: neither filters nor the order of the table change them.
  function markFirst() {
    const body = tables[0].tBodies[0];
    const size = Math.max(0, Math.floor(Number(byId("trucks").value) * Number(byId("per-truck").value)) || 0);
    const ranked = rows.filter((row) => body.contains(row)).sort((a, b) => a.dataset.rank - b.dataset.rank);
    const first = ranked.slice(0, size);
    const chosen = new Set(first);
    for (const row of ranked) {
      const tag = row.querySelector(".first-tag");
      row.classList.toggle("is-first", chosen.has(row));
      tag.hidden = !chosen.has(row);
      tag.textContent = `first ${first.length}`;
    }
    const minutes = first.reduce((sum, row) => sum + Number(row.dataset.minutes_on_site || 0), 0);
    const faults = first.reduce((sum, row) => sum + Number(row.dataset.likelihood || 0), 0);
    byId("first-told").textContent = `The first ${first.length} of ${ranked.length} listed: ${spent(Math.round(minutes))} ` +
      `on site; by their likelihoods ${faults.toFixed(1)} of them have a fault. Dispatch decides who goes where.`;
    line.remove();
    const isByRank = tables[0].querySelector("th[aria-sort=ascending][data-sort=rank]");
    if (isByRank && first.length < ranked.length) {
      lineCell.colSpan = tables[0].tHead.rows[0].cells.length;
      lineCell.textContent = `The first ${first.length} of the list end here`;
      body.insertBefore(line, ranked[first.length]);
    }
  }

  function refresh() {
    byId("f-likelihood-out").textContent = byId("f-likelihood").value + " %";
    for (const row of rows) row.hidden = !passes(row);
    for (const table of tables) {
      const any = rows.some((row) => table.contains(row) && !row.hidden);
      table.hidden = !any;
      document.querySelector(`[data-nothing=${table.id}]`).hidden = any;
    }
    countChoices();
    const shown = rows.filter((row) => !row.hidden).length;
    byId("shown").textContent = `Showing ${shown} of ${rows.length} homes.`;
  }

  // A spreadsheet runs text that starts like a formula, where it parts by semicolons also after one; an apostrophe
  // keeps it text. The same rule as for the CSV files of the night (publish.py).
  const formula = /^(?:[\s\p{Cc}\p{Cf}]*[=+\-@\uff1d\uff0b\uff0d\uff20\ufe66\ufe62\ufe63\ufe6b]|[\t\r])/u;
  const inner = /([;\t\r\n][\s\p{Cc}\p{Cf}]*)([=+\-@\uff1d\uff0b\uff0d\uff20\ufe66\ufe62\ufe63\ufe6b])/gu;
  function csvCell(text) {
    const isNumber = /^[-+]?[\d.]+(e[-+]?\d+)?$/i.test(text);
    const safe = isNumber ? text : (formula.test(text) ? "'" : "") + text.replace(inner, "$1'$2");
    return /[",\r\n]/.test(safe) ? `"${safe.replace(/"/g, '""')}"` : safe;
  }

  function csvText() {
    const columns = tables[0].dataset.columns.split(" ");
    const shown = rows.filter((row) => !row.hidden).sort((a, b) => a.dataset.rank - b.dataset.rank);
    const lines = [columns, ...shown.map((row) => columns.map((name) => csvCell(row.dataset[name] || "")))];
    return lines.map((cells) => cells.join(",")).join("\r\n") + "\r\n";
  }

  function saveCsv() {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob(["\ufeff", csvText()], { type: "text/csv" }));
    link.download = "nightclamp-visits.csv";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  }

  for (const table of tables) table.addEventListener("sorted", markFirst);
  byId("filters").addEventListener("input", refresh);
  byId("filters").addEventListener("reset", () => setTimeout(refresh));
  byId("filters").addEventListener("submit", (event) => event.preventDefault());
  byId("trucks-form").addEventListener("input", markFirst);
  byId("trucks-form").addEventListener("submit", (event) => event.preventDefault());
  byId("csv").addEventListener("click", saveCsv);
  byId("controls").hidden = false;
  byId("trucks-form").hidden = false;
  markFirst();
  refresh();
})();
