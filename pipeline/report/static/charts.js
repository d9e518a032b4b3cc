// Draws the page's specs with the local bundle; swaps the light palette for the dark one where asked.
(function () {
  "use strict";
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const swaps = JSON.parse(document.getElementById("dark-colours").textContent);
  const views = [];

  // Colours are whole string values outside the data; nothing else of a spec is touched.
  function recolour(value, key) {
    if (key === "datasets") return value;
    if (typeof value === "string") return swaps[value] || value;
    if (Array.isArray(value)) return value.map((item) => recolour(item));
    if (value && typeof value === "object") {
      return Object.fromEntries(Object.entries(value).map(([name, part]) => [name, recolour(part, name)]));
    }
    return value;
  }

  // What is folded away has no width to draw in: it is drawn when it is opened.
  async function draw(useDark, boxes) {
    if (!boxes) views.splice(0).forEach((view) => view.finalize());
    for (const box of boxes || document.querySelectorAll("[data-spec]")) {
      if (box.closest("details:not([open])")) continue;
      const spec = JSON.parse(document.getElementById(box.dataset.spec).textContent);
      // ast: expressions are interpreted, so the page's policy can forbid eval.
      views.push(await window.vegaEmbed(box, useDark ? recolour(spec) : spec, {
        actions: false, renderer: "svg", ast: true, tooltip: { theme: useDark ? "dark" : "light" },
      }));
    }
    // The box is the picture, with a title and a caption; its marks are no pictures of their own.
    document.querySelectorAll("[data-spec] svg").forEach((drawing) => drawing.setAttribute("aria-hidden", "true"));
    document.documentElement.dataset.drawn = "true";
  }

  function failed(error) {
    console.error(error);
    document.querySelectorAll("[data-spec]:empty").forEach((box) => {
      box.textContent = "This picture could not be drawn; its caption has the numbers.";
    });
  }

  let queue = draw(dark.matches).catch(failed);
  dark.addEventListener("change", () => { queue = queue.then(() => draw(dark.matches)).catch(failed); });
  document.querySelectorAll("details").forEach((fold) => fold.addEventListener("toggle", () => {
    if (fold.open) queue = queue.then(() => draw(dark.matches, fold.querySelectorAll("[data-spec]:empty"))).catch(failed);
  }));
  window.addEventListener("beforeprint", () => { if (dark.matches) queue = queue.then(() => draw(false)).catch(failed); });
  window.addEventListener("afterprint", () => { if (dark.matches) queue = queue.then(() => draw(true)).catch(failed); });
})();
