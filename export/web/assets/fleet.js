// The fleet: every fan in one picture, what needs somebody, the buildings, and
// what changed in the last day.

import { h, replace, say } from "./dom.js";
import * as format from "./format.js";
import * as live from "./live.js";
import { path } from "./api.js";
import { Plane } from "./plane.js";
import { fresh } from "./plane_scale.js";
import * as model from "./fleet_model.js";
import { filterBar } from "./fleet_filter.js";
import { buildingList, fanCard, fanLine, needList, offPlane, legend } from "./fleet_parts.js";
import { Changes } from "./fleet_changes.js";

export const name = "fleet";
export const section = "fleet";
export const title = "Fleet";

const agesEvery = 15000; // ms until ages are written anew

export function show(main, { query, go }, site) {
  const view = new Fleet(site, model.filterOf(query), go);
  replace(main, view.elements());
  const stop = live.follow(["marks", "alarms"], {
    marks: (message) => view.takeMarks(message),
    alarms: (message) => view.takeAlarms(message),
    summary: (message) => view.takeSummary(message),
  });
  const ages = setInterval(() => view.showNeeds(false), agesEvery);
  return () => {
    stop();
    clearInterval(ages);
    view.close();
  };
}

class Fleet {
  constructor(site, filter, go) {
    this.site = site;
    this.filter = filter;
    this.fans = []; // by their index
    this.byID = new Map();
    this.alarms = new Map(); // by id
    this.shown = []; // fans that pass the filter, the worst first
    this.told = false; // what stands has been told
    this.lead = h("p", { class: "lead", role: "status" }, "Waiting for the first answer of the daemon.");
    this.bar = filterBar(site, filter, () => this.refilter());
    this.plane = new Plane({
      modes: site.modes,
      open: (fan) => go(path("fans", fan.id)),
      card: (fan, others) => fanCard(fan, others, site),
      line: (fan) => fanLine(fan, site),
    });
    this.legend = legend();
    this.off = offPlane(site);
    this.needs = needList(site);
    this.buildings = buildingList(site);
    this.changes = site.desk ? new Changes((entry) => this.wants(entry), this.names()) : null;
    this.changes?.renew(0);
  }

  elements() {
    return [
      h("div", { class: "fleet-head" }, h("h1", null, "Fleet"), this.lead),
      this.bar.element,
      h("div", { class: "fleet-grid" },
        h("section", { class: "picture", "aria-label": "Operating plane" }, this.plane.element, this.legend.element, this.off.element),
        this.needs.element,
        h("div", { class: "aside" }, this.buildings.element, this.changes?.element)),
    ];
  }

  close() {
    this.plane.close();
    this.changes?.close();
  }

  names() {
    const buildings = new Map(this.site.buildings.map((b) => [b.id, b.name]));
    return { fan: (id) => this.byID.get(id)?.name, building: (id) => buildings.get(id) };
  }

  takeMarks(message) {
    let changed = true;
    if (message.full) {
      this.fans = model.fansOf(message);
      this.byID = new Map(this.fans.map((fan) => [fan.id, fan]));
    } else {
      changed = model.apply(this.fans, message.marks).changed;
    }
    // What only moved elsewhere on the plane still passes the same filters.
    if (changed) this.select();
    this.plane.set(this.fans, this.shown);
    if (changed) this.showCounts();
    this.showNeeds(changed);
    if (message.full) this.changes?.show();
  }

  takeAlarms(message) {
    model.learn(this.alarms, message);
    this.showNeeds(true);
    if (this.told || !message.full) this.changes?.renew();
    this.told = true;
  }

  takeSummary(message) {
    this.summary = message;
    this.showLead();
    this.buildings.show(message);
  }

  select() {
    this.passes = model.passing(this.filter, this.site);
    this.shown = model.worstFirst(this.fans.filter(this.passes));
  }

  // refilter shows what another filter lets pass, and says so in the address.
  refilter() {
    history.replaceState(null, "", model.addressOf(this.filter));
    this.select();
    this.plane.set(this.fans, this.shown);
    this.showCounts();
    this.showNeeds(true);
    this.changes?.show();
  }

  showCounts() {
    const off = this.shown.filter((fan) => !fresh(fan));
    this.bar.show(this.fans, this.shown.length);
    this.legend.show(model.countRanks(this.shown.filter(fresh)));
    this.off.show(off);
    this.plane.summary(this.inWords(off.length));
  }

  inWords(off) {
    const counts = model.countRanks(this.shown.filter(fresh));
    const loud = ["page", "ticket", "note"].filter((r) => counts[model.rank[r]]).map((r) => `${counts[model.rank[r]]} ${r}`);
    return `${format.counted(this.shown.length - off, "fan")} by speed and pressure error: ${loud.join(", ") || "none needs somebody"}; ` +
      `${off} more without fresh values. The list "Needs somebody" tells the same in words.`;
  }

  showLead() {
    if (this.summary) say(this.lead, leadOf(this.summary));
  }

  // showNeeds shows the same rows with what is so now, or with others finds them
  // again.
  showNeeds(others) {
    if (this.fans.length === 0) return;
    if (others) this.needing = model.needy(this.shown, this.alarms, this.filter, this.site);
    this.needs.show(this.needing, model.filtering(this.filter));
  }

  // wants reports whether an entry of the journal is about what is shown.
  wants(entry) {
    const { building, duty, condition } = this.filter;
    if (building && entry.building && entry.building !== building) return false;
    if (condition && entry.condition !== condition) return false;
    const fan = this.byID.get(entry.fan);
    if (duty && fan?.duty !== duty) return false;
    return !building || Boolean(entry.building) || this.site.buildings[fan?.building]?.id === building;
  }
}

// leadOf says in a sentence how the fleet is.
function leadOf({ fans, page, ticket, note, buildings }) {
  const [well, unjudged, unanswered] = ["well", "unjudged", "unanswered"].map((key) => sum(buildings, key));
  const open = [unjudged && `${unjudged} not judged yet`, unanswered && `${format.counted(unanswered, "does", "do")} not answer`].filter(Boolean);
  if (page + ticket + note === 0 && open.length === 0) return `All ${format.counted(fans, "fan")} are judged and nothing stands.`;
  const counts = [page && format.counted(page, "page"), ticket && format.counted(ticket, "ticket"), note && format.counted(note, "note")].filter(Boolean);
  const stands = counts.length ? `Needs somebody: ${counts.join(", ")}.` : "Nothing stands.";
  return `${stands} ${well} of ${format.counted(fans, "fan")} are well${open.map((text) => ", " + text).join("")}.`;
}

function sum(buildings, key) {
  return buildings.reduce((all, b) => all + b[key], 0);
}
