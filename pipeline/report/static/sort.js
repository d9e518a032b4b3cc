// Sorts any table by its columns: a heading <th data-sort="KEY" data-kind="number|text"> in the table's head becomes a
// button, and each row of its body carries data-KEY. Rows without a value come last both ways, rows with data-last
// after all others. A table fires the event "sorted" when its rows have moved.
(function () {
  "use strict";
  const collator = new Intl.Collator("en", { numeric: true });
  const places = new WeakMap(); // each row's place in the page as it was loaded, which decides between equals

  function sortRows(heading) {
    const table = heading.closest("table");
    const body = table.tBodies[0];
    const isUp = heading.getAttribute("aria-sort") !== "ascending";
    table.querySelectorAll("th[aria-sort]").forEach((other) => other.removeAttribute("aria-sort"));
    heading.setAttribute("aria-sort", isUp ? "ascending" : "descending");
    const isNumber = heading.dataset.kind === "number";
    const keys = Array.from(body.rows, (row) => {
      const text = row.dataset[heading.dataset.sort] || "";
      return { row, isLast: "last" in row.dataset, isEmpty: text === "", value: isNumber ? Number(text) : text };
    });
    keys.sort((a, b) => {
      if (a.isLast !== b.isLast) return a.isLast ? 1 : -1;
      if (a.isEmpty !== b.isEmpty) return a.isEmpty ? 1 : -1;
      const order = isNumber ? a.value - b.value : collator.compare(a.value, b.value);
      return (isUp ? order : -order) || places.get(a.row) - places.get(b.row);
    });
    body.append(...keys.map((key) => key.row));
    table.dispatchEvent(new CustomEvent("sorted", { bubbles: true }));
  }

  for (const heading of document.querySelectorAll("thead th[data-sort]")) {
    const button = document.createElement("button");
    button.type = "button";
    heading.dataset.label = heading.textContent; // for print, which loses a button on pages after the first
    button.append(...heading.childNodes);
    heading.append(button);
    button.addEventListener("click", () => sortRows(heading));
    Array.from(heading.closest("table").tBodies[0].rows).forEach((row, place) => places.set(row, place));
  }
})();
