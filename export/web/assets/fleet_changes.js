// What changed in the last day, out of the journal: one line for what belongs
// together.

import { h, keyed, replace, say } from "./dom.js";
import { get } from "./api.js";
import * as format from "./format.js";
import { buildingLink, empty, failed, fanLink, mark, when } from "./parts.js";

const day = 86400000;
const apart = 15 * 60000; // ms within which the same at one building is one story
const asked = 200; // entries
const atFirst = 12; // lines before "show all" is pressed

// stories makes lines of a journal's entries, the newest first. What happened to
// one alarm is one story, told by its last word, with how often it was raised; and
// the same word for the same condition at the same building within a quarter of an
// hour is one story of several fans.
export function stories(entries) {
  const told = [];
  const byAlarm = new Map();
  for (const entry of entries) {
    const raised = /^raised/.test(entry.what) ? 1 : 0;
    const known = entry.alarm && byAlarm.get(entry.alarm);
    if (known) {
      known.raised += raised;
      continue;
    }
    const story = { ...entry, raised, fans: entry.fan ? [entry.fan] : [] };
    if (entry.alarm) byAlarm.set(entry.alarm, story);
    told.push(story);
  }
  return gathered(told);
}

function gathered(told) {
  const lines = [];
  for (const story of told) {
    const same = story.fans.length > 0 && lines.find((line) => line.fans.length > 0 && alike(line, story));
    if (!same) {
      lines.push(story);
      continue;
    }
    if (!same.fans.includes(story.fans[0])) same.fans.push(story.fans[0]);
    same.raised = Math.max(same.raised, story.raised);
  }
  return lines;
}

function alike(a, b) {
  return a.what === b.what && a.condition === b.condition && a.building === b.building && a.who === b.who && a.why === b.why &&
    a.severity === b.severity && Date.parse(a.time) - Date.parse(b.time) <= apart;
}

// Marks and words of what the journal tells. What is over or taken on is quiet.
const loud = new Set(["raised", "raised again", "became more urgent", "shelf ended", "unshelved"]);

const whys = {
  recovered: "it recovered", silenced: "another condition explains it", disarmed: "it is judged no longer",
  superseded: "another severity took its place",
};

// Changes is the list and what renews it. wanted(entry) leaves out what the
// filters do; nameOf tells the names of fans and buildings.
export class Changes {
  constructor(wanted, nameOf) {
    this.wanted = wanted;
    this.nameOf = nameOf;
    this.entries = null;
    this.most = atFirst;
    this.list = h("ol", { class: "changes" });
    this.said = h("div", null);
    this.more = h("button", { type: "button", hidden: true, onclick: () => {
      this.most = Infinity;
      this.show();
    } });
    this.element = h("section", { "aria-labelledby": "changed" }, h("h2", { id: "changed" }, "Changed in the last day"), this.said, this.list, this.more);
  }

  show() {
    if (!this.entries) return;
    const lines = stories(this.entries.filter(this.wanted));
    keyed(this.list, lines.slice(0, this.most), (line) => `${line.alarm ?? line.fan} ${line.time} ${line.what}`, () => h("li", null), (item, line) => this.showLine(item, line));
    replace(this.said, lines.length === 0 ? empty("Nothing was raised, cleared or taken on since this time yesterday.") :
      this.entries.length >= asked && h("p", { class: "quiet" }, `The newest ${asked} entries of `, h("a", { href: "/alarms?show=journal" }, "the journal"), "."));
    this.more.hidden = lines.length <= this.most;
    say(this.more, `Show all ${lines.length}`);
  }

  showLine(item, line) {
    const text = JSON.stringify([line, line.fans.map(this.nameOf.fan), format.dayOfSite(format.now())]);
    if (item.told === text) return;
    item.told = text;
    replace(item, tell(line, this.nameOf));
  }

  // renew asks again soon, once for many changes.
  renew(wait = 1500) {
    this.timer ||= setTimeout(() => {
      this.timer = 0;
      this.ask();
    }, wait);
  }

  async ask() {
    this.asking?.abort();
    this.asking = new AbortController();
    const from = new Date(format.now() - day).toISOString();
    try {
      this.entries = (await get(`/api/v1/journal?from=${encodeURIComponent(from)}&limit=${asked}`, this.asking.signal)).entries;
      this.show();
    } catch (error) {
      if (error.name !== "AbortError") failed(this.said, error);
    }
  }

  close() {
    clearTimeout(this.timer);
    this.asking?.abort();
  }
}

function tell(line, nameOf) {
  const standing = loud.has(line.what) && line.severity;
  const names = line.fans.slice(0, 3).map((id, i) => [i ? ", " : null, fanLink(id, nameOf.fan(id))]);
  const rest = line.fans.length - 3;
  return [
    h("div", null, when(line.time, format.hour(line.time)), format.dayOfSite(line.time) === format.dayOfSite(format.now()) ? null : h("small", null, "yesterday")),
    h("div", null,
      h("p", { class: standing ? `what ${line.severity}` : "what over" },
        standing ? mark(line.severity, line.severity) : h("span", { class: "dot", "aria-hidden": "true" }), " ",
        h("b", null, line.condition ? format.words(line.condition) : line.fans.length > 1 ? "Fans" : "Fan"), " ", verb(line)),
      h("p", { class: "where" }, names.length ? names : ["gateway ", h("bdi", null, line.gateway)], rest > 0 ? ` and ${rest} more` : null,
        line.building ? [" · ", buildingLink(line.building, nameOf.building(line.building))] : null)),
  ];
}

function verb(line) {
  const who = line.who ? [" by ", h("bdi", null, line.who)] : null;
  const why = line.why ? `: ${whys[line.why] ?? format.words(line.why)}` : null;
  if (line.raised > 1 && line.what.startsWith("raised")) return `raised ${line.raised} times`;
  const often = line.raised > 1 ? `, raised ${line.raised} times` : null;
  return [line.what, who, why, often];
}
