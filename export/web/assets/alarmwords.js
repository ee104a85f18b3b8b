// What can be said of alarms without a page: which are asked for, in what order,
// what belongs together, and how each stands, in words.

import * as format from "./format.js";
import { rankOf } from "./parts.js";

// states are what the list can be narrowed to, in the words of its buttons.
export const states = [
  ["open", "To be seen to"], ["standing", "Standing"], ["shelved", "Shelved"], ["out", "Out of service"], ["all", "Last week"],
];

const week = 7 * 86400e3; // ms

// stands reports whether what an alarm is about is so now.
export function stands(alarm) {
  return alarm.state === "unacknowledged" || alarm.state === "acknowledged";
}

// open reports whether somebody has yet to say that they know of it.
export function open(alarm) {
  return (alarm.state === "unacknowledged" || alarm.state === "returned") && !alarm.quiet;
}

// inState reports whether an alarm is among those of a state of the list.
export function inState(alarm, state, now) {
  switch (state) {
    case "standing": return stands(alarm);
    case "shelved": return alarm.shelf !== null;
    case "out": return alarm.out_of_service;
    case "all": return stands(alarm) || open(alarm) || now - Date.parse(alarm.cleared ?? alarm.raised ?? 0) < week;
  }
  return open(alarm);
}

// The filter of the list, as it stands in the address.
const keys = ["building", "severity", "condition", "q"];

// filterOf reads a filter from an address's query.
export function filterOf(query) {
  const wanted = query.get("state");
  const filter = { state: states.some(([state]) => state === wanted) ? wanted : "open" };
  for (const key of keys) filter[key] = query.get(key) ?? "";
  return filter;
}

// queryOf writes a filter, without what is usual.
export function queryOf(filter) {
  const query = new URLSearchParams();
  if (filter.state !== "open") query.set("state", filter.state);
  for (const key of keys) if (filter[key]) query.set(key, filter[key]);
  return query.size ? `?${query}` : "";
}

// fits reports whether an alarm is asked for: by each key that is given, and by
// every word of the text that is searched for.
export function fits(alarm, filter, now, building = alarm.building) {
  if (!inState(alarm, filter.state, now)) return false;
  for (const key of ["building", "severity", "condition"]) if (filter[key] && alarm[key] !== filter[key]) return false;
  const text = [alarm.fan, alarm.name, alarm.gateway, alarm.building, building, format.words(alarm.condition), alarm.condition, alarm.summary, alarm.acknowledgement?.who, alarm.shelf?.who].join(" ").toLowerCase();
  return filter.q.toLowerCase().split(/\s+/).every((word) => text.includes(word));
}

// worseFirst orders alarms: what is worse comes first, then what stands, then
// what was raised last.
export function worseFirst(a, b) {
  return rankOf(b.severity) - rankOf(a.severity) || stands(b) - stands(a) ||
    Date.parse(b.raised) - Date.parse(a.raised) || (a.id < b.id ? -1 : a.id > b.id ? 1 : 0);
}

// grouped gathers ordered alarms by the incident that they are part of: a list of
// {key, incident, alarms}, each where its first member would be. An incident
// with one member shown is told like any other alarm, but keeps its cause.
export function grouped(alarms, incidents) {
  const groups = new Map();
  for (const alarm of alarms) {
    const key = alarm.incident ? `incident ${alarm.incident}` : alarm.id;
    if (!groups.has(key)) groups.set(key, { key, incident: alarm.incident ? incidents.get(alarm.incident) ?? { id: alarm.incident, condition: alarm.condition } : null, alarms: [] });
    groups.get(key).alarms.push(alarm);
  }
  return [...groups.values()];
}

// sections parts groups by the severity of their worst member, the worst first.
export function sections(groups) {
  const all = new Map();
  for (const group of groups) {
    const severity = group.alarms[0].severity;
    if (!all.has(severity)) all.set(severity, { severity, groups: [], n: 0 });
    all.get(severity).groups.push(group);
    all.get(severity).n += group.alarms.length;
  }
  return [...all.values()];
}

// reasons say why an alarm is over.
const reasons = {
  silenced: "another condition explains it", disarmed: "it is no longer judged", superseded: "it came back more urgent",
};

// life says in words how an alarm stands, without its shelf.
export function life(alarm) {
  const at = alarm.cleared ? ` ${format.clock(alarm.cleared)}` : "";
  switch (alarm.state) {
    case "unacknowledged": return "stands, not acknowledged";
    case "acknowledged": return `stands, acknowledged ${by(alarm.acknowledgement)}`;
    case "returned": return `came back to normal${at}, not acknowledged`;
  }
  if (alarm.suppressed_by) return `explained by ${format.words(alarm.suppressed_by)}`;
  const why = reasons[alarm.reason];
  return `over${at && ` since${at}`}${why ? `: ${why}` : ""}`;
}

// by says who did something, when, and why.
export function by(act) {
  return act ? `${format.clock(act.time)} by ${act.who}${act.why ? `: ${act.why}` : ""}` : "by somebody";
}

// aside says why nobody is told of an alarm, or "".
export function aside(alarm) {
  if (alarm.shelf) return `shelved until ${format.clock(alarm.shelf.until)} by ${alarm.shelf.who}: ${alarm.shelf.why}`;
  if (alarm.out_of_service) return "its fan is out of service";
  return alarm.suppressed_by && alarm.state !== "normal" ? `explained by ${format.words(alarm.suppressed_by)}` : "";
}

// often says how often an alarm came and went, or "".
export function often(alarm) {
  if (alarm.chattering) return `comes and goes: ${alarm.times} times so far`;
  return alarm.times > 1 ? `raised ${alarm.times} times` : "";
}

// arrived says in words how many alarms of which severity came: "1 page, 2 notes".
export function arrived(alarms) {
  return ["page", "ticket", "note"].map((severity) => [severity, alarms.filter((alarm) => alarm.severity === severity).length])
    .filter(([, n]) => n > 0).map(([severity, n]) => format.counted(n, severity)).join(", ");
}

// called is how an alarm is named in a sentence.
export function called(alarm) {
  return `${format.words(alarm.condition)} of ${alarm.name || alarm.fan || alarm.gateway}`;
}
