// Shows one home's record (#ID), or the homes of a group (#?group=NAME), from the packed records.
(function () {
  "use strict";
  const { load, findHome, pageOf, toOut } = window.nightclampSearch;
  const byId = (id) => document.getElementById(id);
  const STEP = 50;
  let turn = 0;
  let more = null;

  function told(home) {
    const fault = [home.fault, home.leg].filter(Boolean).join(", ");
    return `${fault}: ${home.this_fault} this fault, ${home.any_fault} any fault`;
  }

  function place(record, home) {
    for (const row of record.querySelectorAll("[data-row]")) {
      const value = home[row.dataset.row];
      const isEmpty = value === null || value === undefined || value === "";
      row.hidden = isEmpty;
      if (!isEmpty) row.querySelector("dd").textContent = String(value);
    }
    record.querySelector("[data-id]").textContent = home.site_id;
    const verdict = record.querySelector("[data-verdict]");
    verdict.textContent = home.group === "safety" ? "safety call" : home.verdict;
    verdict.className = `verdict ${home.group === "safety" ? "stop" : home.verdict}`;
    record.querySelector("[data-safety]").hidden = home.group !== "safety";
    record.querySelector("[data-fault]").textContent = told(home);
    const crew = record.querySelector("[data-crew]");
    crew.hidden = !home.crew;
    if (home.crew) {
      const link = crew.querySelector("a");
      link.href = `crews.html#${home.crew}`;
      link.textContent = home.crew_id;
    }
    const plan = record.querySelector("[data-plan]");
    plan.hidden = !home.plan;
    if (home.plan) plan.querySelector("a").href = toOut + home.plan;
    const page = record.querySelector("[data-page]");
    page.hidden = !home.page;
    if (home.page) page.querySelector("a").href = home.page;
    return record;
  }

  function show(part) {
    for (const name of ["home", "group"]) byId(name).hidden = name !== part;
  }

  async function showHome(id, mine) {
    const home = await findHome(id);
    if (mine !== turn) return;
    const shown = byId("home");
    if (home) {
      shown.replaceChildren(place(byId("record").content.cloneNode(true).firstElementChild, home));
      document.title = `${home.site_id} | nightclamp`;
    } else {
      const none = document.createElement("p");
      none.textContent = `No home is called ${id} here.`;
      shown.replaceChildren(none);
    }
    show("home");
    shown.focus({ preventScroll: true });
    shown.scrollIntoView({ block: "start" });
  }

  function row(home) {
    const line = document.createElement("tr");
    const head = document.createElement("th");
    head.scope = "row";
    const link = document.createElement("a");
    link.href = home.page || pageOf(home.site_id);
    const name = document.createElement("bdi");
    name.textContent = home.site_id;
    link.append(name);
    head.append(link);
    line.append(head);
    const cells = { Area: home.area, Crew: home.crew_id, Status: home.status,
      Likelihood: home.group === "suspect" ? told(home) : `${home.any_fault} any fault`, Why: home.unproven_why || home.status_why };
    for (const [label, value] of Object.entries(cells)) {
      const cell = line.insertCell();
      cell.dataset.label = label;
      cell.textContent = value || "–";
    }
    return line;
  }

  async function showGroup(group, mine) {
    const index = await load("index");
    if (mine !== turn) return;
    const sign = Object.keys(index.groups).find((key) => index.groups[key] === group);
    const places = [];
    for (let at = 0; at < index.homes; at += 1) if (index.group_of[at] === sign) places.push(at);
    const body = byId("group-rows");
    body.replaceChildren();
    const name = document.querySelector(`[data-group="${CSS.escape(group)}"] a`);
    byId("group-title").textContent = name ? name.textContent : group;
    let shown = 0;
    more = async () => {
      const next = places.slice(shown, shown + STEP);
      for (const at of next) {
        const homes = await load(String(Math.floor(at / index.size)));
        if (mine !== turn) return;
        body.append(row(homes[at % index.size]));
      }
      shown += next.length;
      byId("group-shown").textContent = `Showing ${shown} of ${places.length}.`;
      byId("group-more").hidden = shown >= places.length;
    };
    show("group");
    await more();
    byId("group").scrollIntoView({ block: "start" });
  }

  async function route() {
    const mine = turn += 1;
    const hash = window.location.hash.slice(1);
    try {
      if (hash.startsWith("?group=")) await showGroup(decodeURIComponent(hash.slice(7)), mine);
      else if (hash) await showHome(decodeURIComponent(hash), mine);
      else show("");
      document.documentElement.dataset.shown = hash;
    } catch (error) {
      console.error(error);
      byId("home").textContent = "The homes can't be read here; try a newer browser.";
      show("home");
    }
  }

  byId("group-more").addEventListener("click", () => more && more());
  window.addEventListener("hashchange", route);
  route();
})();
