// The journal of alarms: what happened and who did what, when and why, the
// newest first; beside it the figures of how the alarms do.

import { h, replace, say } from "./dom.js";
import { get } from "./api.js";
import * as format from "./format.js";
import * as live from "./live.js";
import { buildingLink, empty, failed, fanLink, mark, when } from "./parts.js";
import { entryKey, instantsOf, matches, sentence } from "./journal_words.js";
import { buildingChoice, folding } from "./alarms_filter.js";
import { showFigures } from "./alarms_figures.js";

const atOnce = 100; // entries that are asked for together
const figuresEach = 60e3; // ms

export function showJournal(body, query, site) {
  const filter = Object.fromEntries(["building", "fan", "alarm", "q", "from", "to"].map((key) => [key, query.get(key) ?? ""]));
  filter.people = query.has("people");
  const buildings = new Map(site.buildings.map((one) => [one.id, one.name]));
  let entries = [];
  let ended = false; // nothing older is kept
  let turn = 0; // of the filter: an answer to an older one is dropped

  const days = h("div", { class: "days" });
  const trouble = h("div");
  const end = h("p", { class: "end quiet", role: "status" });
  const more = h("button", { type: "button", hidden: true, onclick: () => older() }, "Further back");
  const figures = h("aside", { class: "numbers", "aria-label": "How the alarms do" });
  replace(body, h("div", { class: "journal" }, figures, h("div", { class: "lines" }, filterForm(filter, site, changed), trouble, days, h("p", { class: "further" }, more, " ", end))));

  older();
  knowFigures();
  const again = setInterval(knowFigures, figuresEach);
  let soon = 0;
  const stream = live.follow(["alarms"], {
    alarms({ full }) {
      if (full) return;
      clearTimeout(soon);
      soon = setTimeout(newer, 1500); // what came at one time is asked for together
    },
  });
  return () => {
    turn = -1;
    stream();
    clearInterval(again);
    clearTimeout(soon);
  };

  function changed(next) {
    Object.assign(filter, next);
    const address = new URLSearchParams({ show: "journal" });
    for (const key of ["building", "fan", "alarm", "q", "from", "to"]) if (filter[key]) address.set(key, filter[key]);
    if (filter.people) address.set("people", "1");
    history.replaceState(null, "", `/alarms?${address}`);
    if (!("building" in next || "fan" in next || "from" in next || "to" in next)) return draw(); // only what is shown of them
    entries = [];
    ended = false;
    older();
  }

  // asked is the query of the journal, for entries within some more bounds.
  function asked(bounds) {
    const query = new URLSearchParams({ limit: atOnce });
    for (const key of ["building", "fan", "alarm"]) if (filter[key]) query.set(key, filter[key]);
    for (const [key, value] of Object.entries({ ...instantsOf(filter, format.zone()), ...bounds })) if (value) query.set(key, value);
    return `/api/v1/journal?${query}`;
  }

  async function older() {
    const own = ++turn;
    more.disabled = true;
    try {
      const last = entries.at(-1)?.time;
      const found = (await get(asked(last ? { to: new Date(Date.parse(last) + 1).toISOString() } : {}))).entries;
      if (own !== turn) return;
      const fresh = added(found);
      entries.push(...fresh);
      ended = fresh.length === 0 || found.length < atOnce;
      replace(trouble);
    } catch (error) {
      if (own !== turn) return;
      failed(trouble, error);
    }
    more.disabled = false;
    draw();
  }

  async function newer() {
    if (!entries.length || filter.to) return;
    const own = turn;
    const found = await get(asked({ from: entries[0].time })).catch(() => null);
    if (!found || own !== turn) return;
    entries.unshift(...added(found.entries));
    draw();
  }

  function added(found) {
    const known = new Set(entries.map(entryKey));
    return found.filter((entry) => !known.has(entryKey(entry)));
  }

  async function knowFigures() {
    try {
      const answer = await get("/api/v1/alarms/figures");
      if (turn >= 0) showFigures(figures, answer, buildings);
    } catch (error) {
      failed(figures, error);
    }
  }

  function draw() {
    const fit = entries.filter((entry) => matches(entry, filter, buildings.get(entry.building)));
    const byDay = new Map();
    for (const entry of fit) {
      const day = format.dayOfSite(entry.time);
      if (!byDay.has(day)) byDay.set(day, []);
      byDay.get(day).push(entry);
    }
    replace(days, [...byDay].map(([day, all]) => h("section", { "aria-labelledby": `day-${day}` },
      h("h2", { id: `day-${day}` }, dayWords(all[0].time)), h("ol", { role: "list" }, all.map((entry) => line(entry, buildings))))));
    if (!fit.length && ended) replace(days, empty("The journal has nothing like that."));
    more.hidden = ended;
    const from = entries.at(-1)?.time;
    say(end, ended ? (fit.length ? "That is where the journal begins, or the days that you chose." : "") : from ? `${format.counted(fit.length, "entry", "entries")} back to ${format.clock(from)}` : "");
  }
}

function dayWords(time) {
  const today = format.dayOfSite(format.now());
  const own = format.dayOfSite(time);
  if (own === today) return `Today, ${format.day(time)}`;
  return own === format.dayOfSite(format.now() - 86400e3) ? `Yesterday, ${format.day(time)}` : format.day(time);
}

function line(entry, buildings) {
  const { who, did, what, why } = sentence(entry);
  return h("li", { class: who ? "entry person" : "entry", "data-what": entry.what },
    when(entry.time, format.hour(entry.time)),
    entry.severity ? mark(entry.severity, entry.severity) : h("span"),
    h("div", null,
      h("p", null,
        who ? [h("b", null, h("bdi", null, who)), ` ${did} ${what}`] : [h("b", { class: "what" }, what), ` ${did}`],
        (entry.fan || entry.gateway) && h("span", { class: "of" }, entry.fan ? fanLink(entry.fan, entry.name) : h("bdi", null, entry.gateway),
          entry.building && [", ", buildingLink(entry.building, buildings.get(entry.building))])),
      why && h("p", { class: "why" }, h("bdi", null, why)),
      entry.summary && (entry.what === "raised" || entry.what === "raised again" || entry.what === "became more urgent") && h("p", { class: "quiet" }, entry.summary)));
}

// filterForm makes the filter of the journal; `changed` is told what was changed.
function filterForm(filter, site, changed) {
  const set = (key) => (value) => changed({ [key]: value });
  const field = (title, input) => h("label", null, h("span", null, title), input);
  const day = (key) => h("input", { type: "date", value: filter[key], onchange: (event) => set(key)(event.target.value) });
  const search = (key, example, event) => h("input", { type: "search", value: filter[key], placeholder: example, [event]: ({ target }) => set(key)(target.value.trim()) });
  const only = filter.alarm && h("p", { class: "notice" }, "Only of one alarm. ", h("a", { href: "/alarms?show=journal" }, "The whole journal"));
  return [only, h("form", { class: "filter", role: "search", "aria-label": "Which entries", onsubmit: (event) => event.preventDefault() },
    folding(filter.building || filter.fan || filter.from || filter.to || filter.q || filter.people,
      buildingChoice(site, filter.building, set("building")), field("Fan", search("fan", "its id", "onchange")),
      field("From", day("from")), field("To", day("to")), field("Search", search("q", "words, who, why", "oninput")),
      h("label", { class: "tick" }, h("input", { type: "checkbox", checked: filter.people, onchange: ({ target }) => set("people")(target.checked) }), " Only what people did")))];
}
