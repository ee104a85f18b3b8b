// The list of alarms: its filter, its keys, what is selected, and the stream that
// keeps it up to date. While somebody is at it nothing moves: what is new waits.

import { h, replace, say } from "./dom.js";
import { get, path } from "./api.js";
import * as format from "./format.js";
import * as live from "./live.js";
import { empty, failed, loginLink } from "./parts.js";
import { beyond, filterOf, fits, holdStill, memberships, open, queryOf, states, unknown, worseFirst } from "./alarms_model.js";
import { arrived, called, doneWords, nothing } from "./alarms_words.js";
import { acknowledgeThem, doOne } from "./alarms_do.js";
import { drawList } from "./alarms_draw.js";
import { filterForm } from "./alarms_filter.js";
import { helpDialog, keysOf, pageKeys } from "./alarms_keys.js";
import { Place } from "./alarms_place.js";
import { tickRow } from "./alarms_row.js";

const mostRows = 200; // that are drawn before more are asked for

// showList shows the list in an element; `may` says what the one who looks may
// do: "act", "login" (first) or "read". It returns what ends it.
export function showList(body, query, site, may, notice) {
  const list = new List(query, site, may);
  replace(body, notice, list.parts());
  list.begin();
  return () => list.end();
}

class List {
  known = new Map(); // every alarm that is known, by id
  incidents = new Map(); // by member
  shown = []; // the ids that are drawn, in their order
  waiting = []; // alarms that came while somebody was at the list
  held = false; // the list is not as it would be without somebody at it
  most = mostRows;
  loaded = false;
  chosen = new Set(); // ids
  unfolded = new Set();
  done = new Set(); // ids of what was acted on here: they may leave at once
  told = new Set(); // ids that need nobody to be told of again

  constructor(query, site, may) {
    this.may = may;
    this.filter = filterOf(query);
    this.pinned = query.get("alarm"); // shown whatever the filter says
    if (this.pinned) this.unfolded.add(this.pinned);
    this.buildings = new Map(site.buildings.map((one) => [one.id, one.name]));
    this.form = filterForm(this.filter, site, (filter) => this.narrow(filter), helpDialog);
    this.count = h("p", { class: "count" });
    this.voice = h("p", { class: "unseen", role: "status" });
    this.news = h("button", { type: "button", class: "news", hidden: true, onclick: () => this.settle() });
    this.bar = h("div", { class: "chosenbar", role: "group", "aria-label": "With those selected", hidden: true });
    this.trouble = h("div");
    this.element = h("div", { class: "sections", "data-may": may });
    this.none = empty("");
    this.more = h("button", { type: "button", hidden: true, onclick: () => this.further() });
    this.place = new Place(this.element);
  }

  parts() {
    const all = this.may === "act" && h("button", { type: "button", class: "plain", onclick: () => this.chooseAll() }, "Select all shown");
    return [this.form.form, h("div", { class: "above" }, this.count, all, this.news), this.bar, this.trouble, this.element, this.none, this.more, this.voice];
  }

  begin() {
    const { element, place } = this;
    element.addEventListener("keydown", keysOf(this, place));
    element.addEventListener("focusout", () => setTimeout(() => place.busy() || this.draw()));
    this.stopKeys = pageKeys({ search: () => this.form.focus(), help: helpDialog, enter: () => place.enter() });
    this.stream = live.follow(["alarms"], { alarms: (change) => this.take(change) });
    if (beyond(this.filter.state) || this.pinned) this.knowAll();
    this.ticking = setInterval(() => this.tick(), 1000);
    this.draw();
  }

  end() {
    this.stream();
    this.stopKeys();
    clearInterval(this.ticking);
  }

  tick() {
    for (const line of this.place.lines()) if (line.alarm) tickRow(line);
    if (this.held && !this.place.busy()) this.draw();
  }

  // What comes.

  take({ full, alarms }) {
    if (full) this.known = new Map();
    const fresh = [];
    for (const alarm of alarms) {
      this.known.set(alarm.id, alarm);
      if (!open(alarm)) this.told.delete(alarm.id);
      else if (!this.told.has(alarm.id)) fresh.push(alarm);
    }
    for (const alarm of fresh) this.told.add(alarm.id);
    if (this.loaded && fresh.length) this.tell(`${format.counted(fresh.length, "new alarm")}: ${arrived(fresh)}`);
    this.loaded = true;
    if (full && (beyond(this.filter.state) || this.pinned)) this.knowAll();
    if (fresh.length) this.knowIncidents();
    this.draw();
  }

  async knowIncidents() {
    const { incidents } = await get("/api/v1/incidents").catch(() => ({ incidents: [] }));
    this.incidents = memberships(incidents);
    this.draw();
  }

  async knowAll() {
    try {
      const { alarms } = await get("/api/v1/alarms?state=all&limit=10000");
      for (const alarm of alarms) this.known.set(alarm.id, alarm);
      replace(this.trouble);
    } catch (error) {
      failed(this.trouble, error);
    }
    this.draw();
  }

  // know asks for one alarm anew, after something was done to it.
  async know(id) {
    this.known.set(id, await get(path("api", "v1", "alarms", id)));
  }

  // What is drawn.

  wanted() {
    const now = format.now();
    return [...this.known.values()].filter((alarm) => alarm.id === this.pinned || fits(alarm, this.filter, now, this.buildings.get(alarm.building))).sort(worseFirst);
  }

  // draw brings the list up to date; while somebody is at it only in place, unless
  // it is forced.
  draw(force = false) {
    const wanted = this.wanted();
    const still = !force && this.shown.length > 0 && this.place.busy();
    const { list, waiting } = still ? holdStill(this.shown, wanted, this.known, this.done) : { list: wanted, waiting: [] };
    if (!still) this.done.clear();
    this.waiting = waiting;
    this.held = still && (waiting.length > 0 || list.length > wanted.length);
    this.shown = list.map((alarm) => alarm.id);
    const ids = new Set(this.shown);
    for (const id of this.chosen) if (!ids.has(id)) this.chosen.delete(id);
    this.place.keep(() => {
      drawList(this.element, list.slice(0, this.most), this.incidents, this);
      this.place.rove(this.place.current);
    });
    this.showAround(list.length);
  }

  showAround(n) {
    const words = states.find(([state]) => state === this.filter.state)[1].toLowerCase();
    say(this.count, this.loaded ? `${format.counted(n, "alarm")} · ${words}` : "Waiting for the alarms");
    this.news.hidden = this.waiting.length === 0;
    say(this.news, `Show ${this.waiting.length} new: ${arrived(this.waiting)}`);
    this.none.hidden = n > 0 || !this.loaded;
    say(this.none, nothing(this.filter));
    this.more.hidden = n <= this.most;
    say(this.more, `Show ${Math.min(mostRows, n - this.most)} more of ${n}`);
    this.form.counts([...this.known.values()]);
    this.showBar();
  }

  showBar() {
    const left = [...this.chosen].map((id) => this.known.get(id)).filter(unknown);
    const text = `${this.chosen.size} ${left.length}`;
    this.bar.hidden = this.chosen.size === 0;
    if (this.bar.text === text) return;
    this.bar.text = text;
    replace(this.bar, h("span", null, `${this.chosen.size} selected`),
      left.length > 0 && h("button", { type: "button", class: "main", onclick: () => this.acknowledgeAll([...this.chosen].map((id) => this.known.get(id)).filter(unknown)) }, `Acknowledge ${left.length}`),
      h("button", { type: "button", onclick: () => this.chooseNone() }, "Select none"));
  }

  // tell says something to a screen reader, also where it says the same again.
  tell(text) {
    say(this.voice, "");
    setTimeout(() => say(this.voice, text), 50);
  }

  narrow(filter) {
    const wider = beyond(filter.state) && filter.state !== this.filter.state;
    this.filter = filter;
    this.most = mostRows;
    history.replaceState(null, "", location.pathname + queryOf(filter));
    if (wider) this.knowAll();
    this.draw(true);
  }

  further() {
    this.most += mostRows;
    this.draw();
  }

  // settle lets in what waits, and goes to the first of it.
  settle() {
    const [first] = this.waiting;
    this.draw(true);
    this.place.rove(first?.id);
    this.place.enter();
  }

  // What the lines ask.

  opened(id) {
    return this.unfolded.has(id);
  }

  // nameOf is what a fan is called, as far as its alarms tell.
  nameOf(fan) {
    for (const alarm of this.known.values()) if (alarm.fan === fan) return alarm.name;
    return fan;
  }

  toggle(id) {
    if (!this.unfolded.delete(id)) this.unfolded.add(id);
    this.draw();
  }

  choose(ids, on) {
    if (this.may !== "act") return;
    for (const id of ids) {
      if (on) this.chosen.add(id);
      else this.chosen.delete(id);
    }
    this.draw();
  }

  chooseAll() {
    this.choose(this.shown.slice(0, this.most), true);
  }

  chooseNone() {
    this.chosen.clear();
    this.draw();
    this.place.enter();
  }

  async act(what, alarm, atOnce) {
    if (this.may === "login") location.assign(loginLink("").href);
    if (this.may !== "act") return;
    try {
      if (!(await doOne(what, alarm, atOnce))) return;
      this.done.add(alarm.id);
      await this.know(alarm.id);
      replace(this.trouble);
      this.draw();
      this.tell(`${doneWords[what]}: ${called(alarm)}. ${format.counted(this.shown.length, "alarm")} listed.`);
    } catch (error) {
      failed(this.trouble, error);
    }
  }

  async acknowledgeAll(alarms) {
    if (this.may === "login") location.assign(loginLink("").href);
    if (this.may !== "act") return;
    const given = await acknowledgeThem(alarms, (alarm) => this.done.add(alarm.id));
    await Promise.allSettled(alarms.filter((alarm) => this.done.has(alarm.id)).map((alarm) => this.know(alarm.id)));
    if (given) {
      this.chosen.clear();
      this.tell(`${format.counted(alarms.length, "alarm")} acknowledged. ${format.counted(this.wanted().length, "alarm")} listed.`);
    }
    this.draw();
    this.place.enter();
  }
}
