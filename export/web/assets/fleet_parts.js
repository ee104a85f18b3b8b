// The pieces of the fleet page beside the plane.

import { h, keyed, renew, replace, say } from "./dom.js";
import * as format from "./format.js";
import { buildingLink, empty, fanLink, mark, rankWords, ranks, tag, when } from "./parts.js";
import { allWell, worstBuildings } from "./fleet_model.js";
import { errorWords, fresh, speedWords } from "./plane_scale.js";

// stateWords say what a fan does now.
function stateWords(fan, site) {
  return fresh(fan) ? `${format.words(site.modes[fan.mode])}, ${speedWords(fan.x)}` : "no fresh values";
}

function conditionsOf(fan, site) {
  return fan.conditions.map((c) => site.conditions[c]?.name).filter(Boolean);
}

function buildingOf(fan, site) {
  return site.buildings[fan.building] ?? { id: "", name: "" };
}

// fanCard is what the plane shows of a fan that is pointed at.
export function fanCard(fan, others, site) {
  return [
    h("p", { class: "who" }, mark(ranks[fan.rank], rankWords[ranks[fan.rank]]), fanLink(fan.id, fan.name)),
    h("p", { class: "quiet" }, h("bdi", null, buildingOf(fan, site).name), fan.duty ? ` · ${format.words(fan.duty)}` : null),
    h("p", null, stateWords(fan, site), h("br"), errorWords(fan.y)),
    fan.conditions.length ? h("p", { class: "tags" }, conditionsOf(fan, site).map((name) => tag(ranks[fan.rank], name))) : null,
    others ? h("p", { class: "quiet" }, `${others} more at this place`) : null,
  ];
}

// fanLine says the same in a sentence.
export function fanLine(fan, site) {
  const what = conditionsOf(fan, site).map(format.words).join(", ");
  return `${fan.name || fan.id}, ${buildingOf(fan, site).name}. ${rankWords[ranks[fan.rank]]}${what ? `: ${what}` : ""}. ${stateWords(fan, site)}, ${errorWords(fan.y)}.`;
}

// wordFor is a rank's word behind a number.
function wordFor(name, n) {
  if (name === "unanswered") return n === 1 ? "does not answer" : "do not answer";
  return n !== 1 && ["note", "ticket", "page"].includes(name) ? `${name}s` : rankWords[name];
}

// legend says what the marks mean and how many there are of each.
export function legend() {
  const element = h("ul", { class: "plane-legend", "aria-label": "Marks on the plane" });
  return {
    element,
    show(counts) {
      const listed = ranks.map((name, r) => ({ name, n: counts[r] })).filter(({ name, n }) => n > 0 || name === "well").reverse();
      keyed(element, listed, (one) => one.name, ({ name }) => h("li", null, mark(name), " ", h("b", null), " ", h("span", null)),
        (item, { name, n }) => {
          say(item.querySelector("b"), String(n));
          say(item.querySelector("span"), wordFor(name, n));
        });
    },
  };
}

const namedOff = 8; // fans of a rank that are named before "more" is pressed

// offPlane lists the fans that have no fresh values and so no place on the plane.
export function offPlane(site) {
  const head = h("p", null);
  const list = h("ul", { class: "off-ranks" });
  const element = h("div", { class: "off-plane", hidden: true }, head, list);
  const open = new Set(); // ranks of which all are named
  let shown = [];
  function show(fans) {
    shown = fans;
    element.hidden = fans.length === 0;
    replace(head, h("strong", null, `${format.counted(fans.length, "fan")} without fresh values`), h("span", { class: "quiet" }, " and so not on the plane"));
    const groups = ranks.map((name, r) => ({ name, fans: fans.filter((fan) => fan.rank === r) })).filter((g) => g.fans.length).reverse();
    keyed(list, groups, (g) => g.name, () => h("li", null), (item, g) => {
      const told = g.fans.map((fan) => fan.id).join() + open.has(g.name);
      if (item.told === told) return;
      item.told = told;
      replace(item, offGroup(g, site, open.has(g.name), () => {
        open.add(g.name);
        show(shown);
      }));
    });
  }
  return { element, show };
}

function offGroup({ name, fans }, site, all, openAll) {
  const called = new Map();
  for (const fan of fans) called.set(fan.name, (called.get(fan.name) ?? 0) + 1);
  const named = all ? fans : fans.slice(0, namedOff);
  const rest = fans.length - named.length;
  return [
    h("span", { class: `how ${name}` }, mark(name), " ", h("b", null, fans.length), " ", wordFor(name, fans.length)),
    h("span", { class: "off-fans" }, named.map((fan) => h("span", null, fanLink(fan.id, fan.name),
      called.get(fan.name) > 1 ? h("span", { class: "quiet" }, " ", h("bdi", null, buildingOf(fan, site).name)) : null)), rest > 0 && h("button", { type: "button", class: "more", onclick: openAll }, `${rest} more`)),
  ];
}

const needsAtFirst = 12; // rows before "more" is pressed

// needList is the table of what needs somebody; it tells in words what the plane
// shows.
export function needList(site) {
  const body = h("tbody", null);
  const table = h("table", { class: "folds need-table", hidden: true },
    h("thead", null, h("tr", null, ["Fan", "What", "Now", "Since"].map((text) => h("th", { scope: "col" }, text)))), body);
  const nothing = h("div", null);
  const more = h("button", { type: "button", hidden: true, onclick: () => {
    most = Infinity;
    show(...last);
  } });
  let most = needsAtFirst;
  let last = [[], false];
  function show(rows, filtered) {
    last = [rows, filtered];
    table.hidden = rows.length === 0;
    if (rows.length > 0) replace(nothing);
    else if (!nothing.firstChild || nothing.filtered !== filtered) replace(nothing, empty(filtered ? "Nothing of what is shown needs somebody." : "Nothing needs somebody now."));
    nothing.filtered = filtered;
    keyed(body, rows.slice(0, most), (row) => row.key, () => h("tr", null), (item, row) => showNeed(item, row, site));
    more.hidden = rows.length <= most;
    say(more, `Show all ${rows.length}`);
  }
  return { element: h("section", { class: "need", "aria-labelledby": "needs" }, h("h2", { id: "needs" }, "Needs somebody"), nothing, table, more), show };
}

function showNeed(item, row, site) {
  item.className = `${ranks[row.rank]}${row.quiet ? " taken" : ""}`;
  renew(item, needCells(row, site));
}

function needCells(row, site) {
  const { fan, alarms } = row;
  const building = fan ? buildingOf(fan, site) : site.buildings.find((b) => b.id === alarms[0].building) ?? { id: alarms[0].building };
  const severity = ranks[row.rank];
  return [
    h("th", { scope: "row" }, h("span", { class: "who" }, mark(severity, severity), h("span", null,
      fan ? fanLink(fan.id, fan.name) : ["Gateway ", h("bdi", null, alarms[0].gateway)],
      h("small", null, buildingLink(building.id, building.name))))),
    h("td", { class: "wide" }, h("span", { class: "tags" }, tagsOf(row, site)), alarms[0]?.summary ? h("small", null, alarms[0].summary) : null),
    fan ? h("td", { "data-is": "Now" }, nowWords(fan, site)) : h("td", null),
    h("td", { "data-is": "Since" }, row.since ? sinceOf(row) : "just now", taken(alarms)),
  ];
}

function tagsOf({ fan, rank: worst, alarms }, site) {
  const severities = new Map(alarms.map((a) => [a.condition, a.severity]));
  const names = fan ? conditionsOf(fan, site) : [...severities.keys()];
  return names.map((name) => tag(severities.get(name) ?? ranks[worst], name));
}

function nowWords(fan, site) {
  return fresh(fan) ? [speedWords(fan.x), h("small", null, errorWords(fan.y))] : "no fresh values";
}

function sinceOf(row) {
  const time = new Date(row.since).toISOString();
  return when(time, format.span(format.age(time)));
}

// taken says who knows of it.
function taken(alarms) {
  const alarm = alarms[0];
  if (alarm?.out_of_service) return h("small", null, "out of service");
  if (alarm?.shelf) return h("small", null, "shelved until ", format.clock(alarm.shelf.until), " by ", h("bdi", null, alarm.shelf.who));
  if (alarm?.acknowledgement) return h("small", null, "acknowledged by ", h("bdi", null, alarm.acknowledgement.who));
  return null;
}

const buildingsAtFirst = 12;

// buildingList lists the buildings, the worst first; where there are many, the
// rest are folded away, and made only when somebody looks.
export function buildingList(site) {
  const names = new Map(site.buildings.map((b) => [b.id, b.name]));
  const worst = h("ul", { class: "buildings" });
  const rest = h("ul", { class: "buildings" });
  const label = h("summary", null);
  const folded = h("details", { hidden: true, ontoggle: showRest }, label, rest);
  let others = [];
  function showRest() {
    if (folded.open) fill(rest, others, names);
  }
  return {
    element: h("section", { "aria-labelledby": "buildings" }, h("h2", { id: "buildings" }, "Buildings"), worst, folded),
    show({ buildings }) {
      const ordered = worstBuildings(buildings);
      others = ordered.slice(buildingsAtFirst);
      fill(worst, ordered.slice(0, buildingsAtFirst), names);
      folded.hidden = others.length === 0;
      const wells = others.filter(allWell).length;
      say(label, format.counted(others.length, "more building") + (wells === others.length ? ", all well" : wells ? `, ${wells} of them well` : ""));
      showRest();
    },
  };
}

function fill(list, buildings, names) {
  keyed(list, buildings, (b) => b.id, (b) => h("li", null, buildingLink(b.id, names.get(b.id)), h("span", { class: "quiet" }), h("span", { class: "counts" })), (item, b) => {
    const told = JSON.stringify(b);
    if (item.told === told) return;
    item.told = told;
    const [, fans, counts] = item.children;
    say(fans, b.fans === 0 ? "no fans" : format.counted(b.fans, "fan") + (allWell(b) ? ", all well" : ""));
    replace(counts, countsOf(b));
  });
}

function countsOf(b) {
  return [
    ...["page", "ticket", "note"].filter((r) => b[r]).map((r) => h("span", { class: r }, mark(r), " ", format.counted(b[r], r))),
    b.gateways_down > 0 && h("span", { class: "down" }, mark("unanswered"), ` ${b.gateways_down} of ${format.counted(b.gateways, "gateway")} down`),
    b.unanswered > 0 && h("span", { class: "quiet" }, mark("unanswered"), ` ${format.counted(b.unanswered, "does", "do")} not answer`),
    b.unjudged > 0 && h("span", { class: "quiet" }, mark("unjudged"), ` ${b.unjudged} not judged yet`),
  ].filter(Boolean);
}
