// What can be said of the journal's entries without a page.

import * as format from "./format.js";
import { hasWords } from "./alarms_model.js";
import { fromLocal } from "./zone.js";

// entryKey tells entries apart that are asked for twice.
export function entryKey(entry) {
  return [entry.time, entry.what, entry.alarm, entry.fan, entry.who].join("|");
}

// instantsOf turns the days of a filter into the instants that the journal is
// asked by: from the start of the first to the end of the last, on site.
export function instantsOf({ from, to }, zone) {
  return { from: startOf(from, zone), to: startOf(to && dayAfter(to), zone) };
}

function startOf(day, zone) {
  if (!/^\d{4}-\d\d-\d\d$/.test(day)) return "";
  return new Date(fromLocal(`${day}T00:00`, zone)).toISOString();
}

function dayAfter(day) {
  const date = new Date(`${day}T00:00:00Z`);
  date.setUTCDate(date.getUTCDate() + 1);
  return Number.isNaN(date.getTime()) ? "" : date.toISOString().slice(0, 10);
}

// matches reports whether an entry has every word that is searched for, and was
// of a person's doing where that is asked.
export function matches(entry, { q, people }, building = "") {
  if (people && !entry.who) return false;
  return hasWords(q, [entry.what, entry.who, entry.why, entry.fan, entry.gateway, entry.building, building, entry.condition, format.words(entry.condition ?? ""), entry.summary]);
}

// Why a condition ended, in words; "recovered" goes without saying.
const reasons = { recovered: "", disarmed: "it is no longer judged", silenced: "another condition explains it", superseded: "it came back more urgent" };

const deeds = {
  cleared: "is over", suppressed: "is explained by another", unshelved: "took back from the shelf", "shelf ended": "is back from the shelf",
  "began to chatter": "comes and goes too often to be told each time", "ceased to chatter": "no longer comes and goes",
  "taken out of service": "took out of service", "put into service": "put back in service",
};

// sentence is an entry in parts: who did what with which condition, and why.
// Without a person, it is the condition that did something.
export function sentence(entry) {
  let did = deeds[entry.what] ?? entry.what;
  if (entry.condition && entry.what === "taken out of service") did = "took the fan out of service, with";
  if (entry.condition && entry.what === "put into service") did = "put the fan back in service, with";
  let why = entry.why ?? "";
  if (entry.what === "cleared") why = reasons[why] ?? why;
  if (entry.what === "suppressed") {
    return { who: "", did: `is explained by ${format.words(entry.why ?? "another")}`, what: format.words(entry.condition ?? ""), why: "" };
  }
  return { who: entry.who ?? "", did, what: entry.condition ? format.words(entry.condition) : "", why };
}
