// Finds any home of the fleet by the beginning of its id, on every page; hands the records to the page of homes.
(function () {
  "use strict";
  const assets = new URL(".", document.currentScript.src);
  const MOST = 8;
  const arriving = new Map();
  const loaded = new Map();

  // Each script of assets/homes calls this with its name and its text: JSON, deflated, in base64.
  window.nightclampHomes = async (name, text) => {
    const { resolve, reject } = arriving.get(name);
    try {
      const bytes = Uint8Array.from(atob(text), (sign) => sign.charCodeAt(0));
      const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
      resolve(JSON.parse(await new Response(stream).text()));
    } catch (error) {
      reject(error);
    }
  };

  function load(name) {
    if (!loaded.has(name)) {
      loaded.set(name, new Promise((resolve, reject) => {
        arriving.set(name, { resolve, reject });
        const script = document.createElement("script");
        script.src = new URL(`homes/${name}.js`, assets).href;
        script.onerror = () => reject(new Error(`${name}.js is not there`));
        document.head.append(script);
      }));
    }
    return loaded.get(name);
  }

  // By code points, as the records are sorted.
  function isBefore(a, b) {
    const [x, y] = [Array.from(a), Array.from(b)];
    for (let at = 0; at < Math.min(x.length, y.length); at += 1) {
      if (x[at] !== y[at]) return x[at].codePointAt(0) < y[at].codePointAt(0);
    }
    return x.length < y.length;
  }

  // The first homes whose id begins with the text, in order; `most` of them.
  async function find(text, most) {
    const index = await load("index");
    const key = text.toLowerCase();
    let low = 0;
    let high = index.first.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (isBefore(index.first[middle], key)) low = middle + 1;
      else high = middle;
    }
    const found = [];
    for (let shard = Math.max(0, low - 1); shard < index.first.length && found.length < most; shard += 1) {
      if (shard >= low && !index.first[shard].startsWith(key)) break;
      const homes = await load(String(shard));
      found.push(...homes.filter((home) => home.site_id.toLowerCase().startsWith(key)));
    }
    return found.slice(0, most);
  }

  async function findHome(id) {
    const alike = await find(id, Infinity);
    return alike.find((home) => home.site_id === id) ||
      alike.find((home) => home.site_id.toLowerCase() === id.toLowerCase());
  }

  function pageOf(id) {
    return new URL(`../homes.html#${encodeURIComponent(id)}`, assets).href;
  }

  // A page of the report lies in OUT/runs/DATE/report; by OUT/latest it is one folder nearer.
  const toOut = /\/latest\/report\/[^/]*$/.test(window.location.pathname) ? "../../" : "../../../";

  window.nightclampSearch = { load, findHome, pageOf, toOut };

  const form = document.getElementById("search");
  const box = document.getElementById("search-text");
  const list = document.getElementById("search-list");
  const status = document.getElementById("search-status");
  let options = [];
  let chosen = -1;
  let asked = 0;

  function close() {
    options = [];
    chosen = -1;
    list.replaceChildren();
    list.hidden = true;
    box.setAttribute("aria-expanded", "false");
    box.removeAttribute("aria-activedescendant");
  }

  function choose(place) {
    chosen = options.length ? (place + options.length) % options.length : -1;
    Array.from(list.children).forEach((item, at) => item.setAttribute("aria-selected", String(at === chosen)));
    if (chosen >= 0) box.setAttribute("aria-activedescendant", list.children[chosen].id);
  }

  function go(id) {
    close();
    box.value = id;
    window.location.href = pageOf(id);
  }

  function show(homes, text) {
    close();
    options = homes.map((home) => home.site_id);
    list.append(...homes.map((home, at) => {
      const item = document.createElement("li");
      item.id = `search-${at}`;
      item.setAttribute("role", "option");
      item.setAttribute("aria-selected", "false");
      const name = document.createElement("bdi");
      name.textContent = home.site_id;
      const told = document.createElement("span");
      told.textContent = [home.area, home.verdict].filter(Boolean).join(", ");
      item.append(name, " ", told);
      item.addEventListener("pointerdown", (event) => { event.preventDefault(); go(home.site_id); });
      return item;
    }));
    list.hidden = !homes.length;
    box.setAttribute("aria-expanded", String(homes.length > 0));
    status.textContent = homes.length ? `${homes.length === MOST ? `first ${MOST}` : homes.length} found`
      : `No home begins with ${text}`;
  }

  async function typed() {
    const turn = asked += 1;
    const text = box.value.trim();
    if (!text) { close(); status.textContent = ""; return; }
    try {
      const homes = await find(text, MOST);
      if (turn === asked) show(homes, text);
    } catch (error) {
      console.error(error);
      status.textContent = "The homes can't be read here; try a newer browser.";
    }
  }

  box.addEventListener("input", typed);
  box.addEventListener("blur", close);
  box.addEventListener("keydown", (event) => {
    if (event.key === "ArrowDown") choose(chosen + 1);
    else if (event.key === "ArrowUp") choose(chosen < 0 ? -1 : chosen - 1);
    else if (event.key === "Escape") close();
    else return;
    event.preventDefault();
  });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const text = box.value.trim();
    if (!text) return;
    if (chosen >= 0) { go(options[chosen]); return; }
    asked += 1;
    const homes = await find(text, MOST);
    const exact = homes.find((home) => home.site_id.toLowerCase() === text.toLowerCase());
    if (exact || homes.length === 1) go((exact || homes[0]).site_id);
    else show(homes, text);
  });
  form.hidden = false;

  for (const link of document.querySelectorAll("a[data-out]")) {
    link.setAttribute("href", link.getAttribute("href").replace(/^(\.\.\/)+/, toOut));
  }
})();
