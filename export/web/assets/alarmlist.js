// The list of alarms: its filter, its order, the keys, and the stream that keeps
// it up to date. While somebody is at it, nothing moves: what is new waits.

import { h, keyed, replace, say } from "./dom.js";
import { get, path, post } from "./api.js";
import * as acts from "./acts.js";
import * as format from "./format.js";
import * as live from "./live.js";
import { ask, empty, failed, loginLink, mark, when } from "./parts.js";
import { arrived, called, filterOf, fits, grouped, open, queryOf, sections, states, worseFirst } from "./alarmwords.js";
import { makeRow, tickRow, updateRow } from "./alarmrow.js";
import { helpDialog, keysOf, pageKeys } from "./alarmkeys.js";

const mostRows = 200; // that are drawn before more are asked for
const severityWords = { page: "Pages: somebody is to go now", ticket: "Tickets: within days", note: "Notes: worth knowing" };

export function showList(body, query, site, may, notice) {
  let filter = filterOf(query);
  let known = new Map(); // every alarm that is known, by id
  let incidents = new Map();
  let shown = []; // the ids that are drawn, in their order
  let waiting = []; // alarms that came while somebody was at the list
  let most = mostRows;
  let current = null; // the id that Tab leads to
  let touched = -Infinity;
  let loaded = false;
  const pinned = query.get("alarm"); // shown whatever the filter says
  const opened = new Set(pinned ? [pinned] : []);
  const chosen = new Set();
  const done = new Set(); // what was acted on here: it may leave at once
  const seen = new Set(); // what was told to a screen reader
  const buildings = new Map(site.buildings.map((one) => [one.id, one.name]));

  const list = {
    may, buildings, opened: (id) => opened.has(id), chosen: (id) => chosen.has(id), act,
    toggle(id) {
      opened.has(id) ? opened.delete(id) : opened.add(id);
      current = id;
      draw();
    },
    choose(id, on) {
      on ? chosen.add(id) : chosen.delete(id);
      current = id;
      draw();
    },
  };

  // The page.
  const count = h("p", { class: "count" });
  const told = h("p", { class: "unseen", role: "status" });
  const news = h("button", { type: "button", class: "news", hidden: true, onclick: () => settle() });
  const bar = h("div", { class: "chosenbar", role: "group", "aria-label": "With those selected", hidden: true });
  const place = h("div", { class: "sections", "data-may": may });
  const more = h("button", { type: "button", hidden: true, onclick: () => { most += mostRows; draw(true); } });
  const trouble = h("div");
  const form = filterForm(filter, site, changed, () => helpDialog());
  replace(body, notice, form.all, h("div", { class: "above" }, count, may === "act" && selectAll(), news), bar, trouble, place, more, told);

  for (const event of ["pointermove", "pointerdown"]) place.addEventListener(event, () => (touched = performance.now()), { passive: true });
  place.addEventListener("focusin", ({ target }) => {
    const row = target.closest(".alarm");
    if (row) rove(row.alarm.id);
  });
  place.addEventListener("focusout", () => setTimeout(() => { if (!busy()) draw(); }));
  place.addEventListener("keydown", keysOf({ move, first: () => focus(rows()[0]), last: () => focus(rows().at(-1)), act, close, choose: (alarm) => list.choose(alarm.id, !chosen.has(alarm.id)), may }));
  const keys = pageKeys({ search: () => form.search.focus(), help: helpDialog, enter: () => focus(rows().find((row) => row.alarm.id === current) ?? rows()[0]) });

  const stream = live.follow(["alarms"], { alarms: take });
  if (filter.state === "all" || filter.state === "out" || pinned) knowAll();
  const ticking = setInterval(() => {
    rows().forEach(tickRow);
    if (waiting.length && !busy()) draw();
  }, 1000);
  return () => {
    stream();
    keys();
    clearInterval(ticking);
  };

  // What comes.

  function take({ full, alarms }) {
    if (full) {
      known = new Map();
      if (filter.state === "all" || filter.state === "out") knowAll();
    }
    const fresh = [];
    for (const alarm of alarms) {
      known.set(alarm.id, alarm);
      if (!open(alarm)) seen.delete(alarm.id);
      else if (!seen.has(alarm.id)) {
        seen.add(alarm.id);
        fresh.push(alarm);
      }
    }
    if (loaded && fresh.length) tell(`${format.counted(fresh.length, "new alarm")}: ${arrived(fresh)}`);
    loaded = true;
    if (alarms.some((alarm) => alarm.incident && !incidents.has(alarm.incident))) knowIncidents();
    draw();
  }

  async function knowIncidents() {
    const all = await get("/api/v1/incidents").catch(() => ({ incidents: [] }));
    incidents = new Map(all.incidents.map((one) => [one.id, one]));
    for (const { incident } of known.values()) if (incident && !incidents.has(incident)) incidents.set(incident, null);
    draw();
  }

  async function knowAll() {
    try {
      const { alarms } = await get("/api/v1/alarms?state=all&limit=10000");
      for (const alarm of alarms) known.set(alarm.id, alarm);
      replace(trouble);
    } catch (error) {
      failed(trouble, error);
    }
    draw();
  }

  // know asks for one alarm anew, after something was done to it.
  async function know(id) {
    known.set(id, await get(path("api", "v1", "alarms", id)));
  }

  // What is drawn.

  function busy() {
    return place.contains(document.activeElement) || performance.now() - touched < 4000;
  }

  function wanted() {
    const now = format.now();
    return [...known.values()].filter((alarm) => alarm.id === pinned || fits(alarm, filter, now, buildings.get(alarm.building))).sort(worseFirst);
  }

  // draw brings the list up to date. While somebody is at it, lines stay where
  // they are even if they are no longer asked for, and new ones wait.
  function draw(force = false) {
    const all = wanted();
    let list = all;
    waiting = [];
    if (!force && shown.length && busy()) {
      const fit = new Set(all.map((alarm) => alarm.id)), old = new Set(shown);
      list = shown.filter((id) => known.has(id) && (fit.has(id) || !done.has(id))).map((id) => known.get(id));
      waiting = all.filter((alarm) => !old.has(alarm.id));
    } else {
      done.clear();
    }
    shown = list.map((alarm) => alarm.id);
    for (const id of chosen) if (!shown.includes(id)) chosen.delete(id);
    const cut = list.slice(0, most);
    if (!cut.some((alarm) => alarm.id === current)) current = cut[0]?.id ?? null;
    keepFocus(() => drawSections(cut));
    showAround(list.length, all);
  }

  function drawSections(alarms) {
    keyed(place, sections(grouped(alarms, incidents)), (part) => part.severity, makeSection, (element, part) => {
      say(element.count, String(part.n));
      keyed(element.list, part.groups, (group) => group.key, makeGroup, updateGroup);
    });
    rove(current);
  }

  function makeSection({ severity }) {
    const counter = h("span", { class: "n" }), inner = h("ul", { role: "list" });
    const id = `of-${severity}`;
    const element = h("section", { class: severity, "aria-labelledby": id }, h("h2", { id }, mark(severity), " ", severityWords[severity], " ", counter), inner);
    element.count = counter;
    element.list = inner;
    return element;
  }

  // A group is an alarm by itself, or an incident with its members below it.
  function makeGroup(group) {
    if (!group.incident) return makeRow(list);
    const head = h("div", { class: "head" }), inner = h("ul", { role: "list" });
    const element = h("li", { class: "together" }, head, inner);
    Object.assign(element, { head, list: inner });
    return element;
  }

  function updateGroup(element, group) {
    if (!group.incident) return updateRow(element, group.alarms[0], list);
    const open = group.alarms.filter((alarm) => alarm.state === "unacknowledged" || alarm.state === "returned");
    const text = JSON.stringify([group.incident, group.alarms.length, open.length]);
    if (element.text !== text) {
      element.text = text;
      replace(element.head, incidentHead(group, open, () => acknowledgeAll(group.alarms.filter((alarm) => alarm.state === "unacknowledged" || alarm.state === "returned"))));
    }
    keyed(element.list, group.alarms, (alarm) => alarm.id, () => makeRow(list), (row, alarm) => updateRow(row, alarm, list));
  }

  function incidentHead({ incident, alarms }, open, acknowledge) {
    return [
      h("h3", null, "Went wrong together: ", format.words(incident.condition), h("span", { class: "n" }, String(alarms.length))),
      may === "act" && open.length > 1 && h("button", { type: "button", "data-at": "together", onclick: acknowledge }, `Acknowledge all ${open.length}`),
      incident.summary && h("p", null, incident.summary, incident.since && [", since ", when(incident.since)]),
      incident.cause && h("p", null, h("b", null, "Likely common cause: "), incident.cause),
      incident.check && h("p", null, h("b", null, "First check: "), incident.check),
    ];
  }

  function showAround(n, all) {
    const words = (states.find(([state]) => state === filter.state) ?? states[0])[1].toLowerCase();
    say(count, loaded ? `${format.counted(n, "alarm")} · ${words}` : "Waiting for the alarms");
    news.hidden = waiting.length === 0;
    say(news, `Show ${waiting.length} new: ${arrived(waiting)}`);
    more.hidden = n <= most;
    say(more, `Show ${Math.min(mostRows, n - most)} more of ${n}`);
    form.counts(known.values());
    bar.hidden = chosen.size === 0;
    if (chosen.size) showBar();
    const none = body.querySelector(".empty");
    if (loaded && n === 0 && !none) place.after(empty(emptyWords(filter)));
    else if (n > 0) none?.remove();
    else if (none) say(none, emptyWords(filter));
  }

  function settle() {
    draw(true);
    focus(rows()[0]);
  }

  function tell(text) {
    say(told, "");
    setTimeout(() => say(told, text), 50);
  }

  // Where one is.

  function rows() {
    return [...place.querySelectorAll(".alarm")];
  }

  // rove makes one line the way into the list: Tab leads to it and its parts, and
  // past all the others.
  function rove(id) {
    current = id;
    for (const row of rows()) {
      const index = row.alarm.id === id ? null : "-1";
      for (const one of row.querySelectorAll("button, a, input")) index ? one.setAttribute("tabindex", index) : one.removeAttribute("tabindex");
    }
  }

  function focus(row, at = "head") {
    if (!row) return;
    rove(row.alarm.id);
    (row.querySelector(`[data-at="${at}"]`) ?? row.bits.head).focus();
  }

  function move(row, by) {
    const all = rows();
    focus(all[Math.max(0, Math.min(all.length - 1, all.indexOf(row) + by))]);
  }

  function close(row) {
    if (opened.delete(row.alarm.id)) draw();
    focus(row);
  }

  // keepFocus does something to the list and leaves the focus where it was, or at
  // the next line where its own is gone.
  function keepFocus(act) {
    const at = document.activeElement;
    const row = at?.closest?.(".alarm");
    if (!row || !place.contains(row)) return act();
    const id = row.alarm.id, part = at.dataset.at;
    const before = rows().map((one) => one.alarm.id);
    const behind = before.slice(before.indexOf(id));
    act();
    if (document.activeElement === at) return;
    const now = new Map(rows().map((one) => [one.alarm.id, one]));
    const next = behind.find((one) => now.has(one)) ?? rows().at(-1)?.alarm.id;
    focus(now.get(next), next === id ? part : "head");
  }

  // What is done.

  async function act(what, alarm, atOnce) {
    if (may !== "act") {
      if (may === "login") location.assign(loginLink("").href);
      return;
    }
    const fan = { id: alarm.fan, name: alarm.name };
    try {
      if (what === "acknowledge" && atOnce) await post(path("api", "v1", "alarms", alarm.id, "acknowledge"), { note: "" });
      else if (!(await acts[what](what === "takeOut" || what === "putIn" ? fan : alarm))) return;
      done.add(alarm.id);
      await know(alarm.id);
      replace(trouble);
      draw();
      tell(`${doneWords[what]}: ${called(alarm)}. ${format.counted(wanted().length, "alarm")} ${filter.state === "open" ? "left to be seen to" : "listed"}.`);
    } catch (error) {
      failed(trouble, error);
    }
  }

  async function acknowledgeAll(alarms) {
    const left = [...alarms];
    const given = await ask(`Acknowledge ${format.counted(alarms.length, "alarm")}`, [
      h("ul", { class: "names" }, alarms.map((alarm) => h("li", null, mark(alarm.severity, alarm.severity), " ", called(alarm)))),
      h("label", null, h("span", null, "Note for all of them (may be empty)"), h("textarea", { name: "note", rows: 2, maxlength: 500 })),
    ], "Acknowledge", async ({ note }) => {
      while (left.length) {
        await post(path("api", "v1", "alarms", left[0].id, "acknowledge"), { note });
        done.add(left.shift().id);
      }
    });
    await Promise.all(alarms.filter((alarm) => done.has(alarm.id)).map((alarm) => know(alarm.id).catch(() => {})));
    if (given) {
      chosen.clear();
      tell(`${format.counted(alarms.length, "alarm")} acknowledged.`);
    }
    draw();
  }

  function showBar() {
    const alarms = [...chosen].map((id) => known.get(id)).filter(Boolean);
    const able = alarms.filter((alarm) => alarm.state === "unacknowledged" || alarm.state === "returned");
    const text = `${alarms.length} ${able.length}`;
    if (bar.text === text) return;
    bar.text = text;
    replace(bar, h("span", null, `${alarms.length} selected`),
      able.length > 0 && h("button", { type: "button", class: "main", onclick: () => acknowledgeAll([...chosen].map((id) => known.get(id)).filter((alarm) => alarm && (alarm.state === "unacknowledged" || alarm.state === "returned"))) }, `Acknowledge ${able.length}`),
      h("button", { type: "button", onclick: () => { chosen.clear(); draw(); } }, "Select none"));
  }

  function selectAll() {
    return h("button", { type: "button", class: "plain", onclick: () => {
      for (const id of shown.slice(0, most)) chosen.add(id);
      draw();
    } }, "Select all shown");
  }

  function changed(next) {
    const widened = (next.state === "all" || next.state === "out") && filter.state !== next.state;
    filter = next;
    most = mostRows;
    history.replaceState(null, "", location.pathname + queryOf(filter));
    if (widened) knowAll();
    draw(true);
  }
}

const doneWords = {
  acknowledge: "Acknowledged", shelve: "Shelved", unshelve: "Taken back from the shelf", takeOut: "Fan taken out of service", putIn: "Fan put back in service",
};

function emptyWords(filter) {
  const narrowed = filter.building || filter.severity || filter.condition || filter.q;
  if (narrowed) return "No alarm is like that. Widen the filter to see others.";
  switch (filter.state) {
    case "standing": return "Nothing is wrong that the rules would see.";
    case "shelved": return "Nothing is put aside.";
    case "out": return "No alarm is of a fan that is out of service.";
    case "all": return "There was no alarm in the last week.";
  }
  return "Nothing is to be seen to: whatever stands is known, shelved or explained.";
}

// filterForm makes the row of filters; `changed` is told the new one.
function filterForm(filter, site, changed, help) {
  const now = { ...filter };
  const set = (key, value) => {
    now[key] = value;
    changed({ ...now });
  };
  const buttons = states.map(([state, words]) => {
    const n = h("span", { class: "n", hidden: true });
    const button = h("button", { type: "button", "aria-pressed": String(state === now.state), onclick: () => {
      set("state", state);
      for (const [other, , one] of all) one.setAttribute("aria-pressed", String(other === state));
    } }, words, " ", n);
    return [state, n, button];
  });
  const all = buttons;
  const select = (key, title, choices) => h("label", null, h("span", null, title),
    h("select", { onchange: (event) => set(key, event.target.value) }, h("option", { value: "" }, "any"),
      choices.map(([value, words]) => h("option", { value, selected: value === now[key] }, words))));
  const search = h("input", { type: "search", value: now.q, placeholder: "fan, place, words", oninput: () => set("q", search.value.trim()) });
  const form = h("form", { class: "filter", role: "search", "aria-label": "Which alarms", onsubmit: (event) => event.preventDefault() },
    h("div", { class: "states", role: "group", "aria-label": "State" }, buttons.map(([, , button]) => button)),
    h("div", { class: "fields" },
      site.buildings.length > 1 && select("building", "Building", site.buildings.map((one) => [one.id, one.name])),
      select("severity", "Severity", [["page", "page"], ["ticket", "ticket"], ["note", "note"]]),
      select("condition", "Condition", site.conditions.map((one) => [one.name, format.words(one.name)])),
      h("label", { class: "search" }, h("span", null, "Search"), search),
      h("button", { type: "button", class: "plain keys", onclick: help, "aria-label": "Keys of this page" }, "Keys ", h("kbd", null, "?"))));
  return {
    all: form, search,
    // counts writes how many there are of the states that want somebody.
    counts(alarms) {
      const list = [...alarms];
      for (const [state, n] of buttons) {
        if (state !== "open" && state !== "shelved") continue;
        const many = list.filter((alarm) => (state === "open" ? open(alarm) : alarm.shelf !== null)).length;
        n.hidden = many === 0;
        say(n, String(many));
      }
    },
  };
}
