// What changed in the last day, out of the journal: one line for what belongs
// together.

import { h, keyed, replace } from "./dom.js";
import { get } from "./api.js";
import * as format from "./format.js";
import { buildingLink, empty, failed, fanLink, mark, when } from "./parts.js";

const day = 86400000;
const apart = 15 * 60000; // ms within which the same at one building is one story
const most = 200; // entries that are asked for

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
      known.earlier++;
      continue;
    }
    const story = { ...entry, raised, earlier: 0, fans: entry.fan ? [entry.fan] : [] };
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

// changes is the list and what renews it. wanted(entry) leaves out what the
// filters do; nameOf tells the names of fans and buildings.
export function changes(wanted, nameOf) {
  const list = h("ol", { class: "changes" });
  const said = h("div", null);
  const element = h("section", { "aria-labelledby": "changed" }, h("h2", { id: "changed" }, "Changed in the last day"), said, list);
  let entries = null;
  let asking = null;
  let timer = 0;

  function show() {
    if (!entries) return;
    const lines = stories(entries.filter(wanted));
    keyed(list, lines.slice(0, 40), (line) => `${line.alarm ?? line.fan} ${line.time} ${line.what}`, () => h("li", null), (item, line) => {
      const text = JSON.stringify([line, format.dayOfSite(format.now())]);
      if (item.told === text) return;
      item.told = text;
      replace(item, tell(line, nameOf));
    });
    replace(said, lines.length === 0 ? empty("Nothing was raised, cleared or taken on since this time yesterday.") : null);
    const more = lines.length - 40;
    if (more > 0 || entries.length >= most) replace(said, h("p", { class: "quiet" }, "The newest; ", h("a", { href: "/alarms?show=journal" }, "the journal"), " has them all."));
  }

  async function ask() {
    asking?.abort();
    asking = new AbortController();
    const from = new Date(format.now() - day).toISOString();
    try {
      entries = (await get(`/api/v1/journal?from=${encodeURIComponent(from)}&limit=${most}`, asking.signal)).entries;
      show();
    } catch (error) {
      if (error.name !== "AbortError") failed(said, error);
    }
  }

  // renew asks again soon, once for many changes.
  function renew(wait = 1500) {
    if (timer) return;
    timer = setTimeout(() => {
      timer = 0;
      ask();
    }, wait);
  }

  return { element, show, renew, close: () => { clearTimeout(timer); asking?.abort(); } };
}

function tell(line, nameOf) {
  const standing = loud.has(line.what) && line.severity;
  const names = line.fans.slice(0, 3).map((id, i) => [i ? ", " : null, fanLink(id, nameOf.fan(id))]);
  const rest = line.fans.length - 3;
  return [
    when(line.time),
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
  const often = line.raised > 1 ? `, raised ${line.raised} times` : null;
  return [line.what, who, why, often];
}
