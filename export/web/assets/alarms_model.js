// What is known of alarms and does not need a page: which are asked for, in what
// order, what belongs together, and what holds still.

import * as format from "./format.js";
import { rankOf } from "./parts.js";

const week = 7 * 86400e3; // ms

// stands reports whether what an alarm is about is so now.
export function stands(alarm) {
  return alarm.state === "unacknowledged" || alarm.state === "acknowledged";
}

// unknown reports whether nobody has said that they know of it.
export function unknown(alarm) {
  return alarm.state === "unacknowledged" || alarm.state === "returned";
}

// open reports whether somebody is to see to it.
export function open(alarm) {
  return unknown(alarm) && !alarm.quiet;
}

// states are what the list can be narrowed to, in the words of its buttons.
export const states = [
  ["open", "To be seen to"], ["standing", "Standing"], ["shelved", "Shelved"], ["out", "Out of service"], ["all", "Last week"],
];

// inState reports whether an alarm is among those of a state of the list.
export function inState(alarm, state, now) {
  switch (state) {
    case "standing": return stands(alarm);
    case "shelved": return alarm.shelf !== null;
    case "out": return alarm.out_of_service;
    case "all": return alarm.state !== "normal" || now - Date.parse(alarm.cleared ?? alarm.raised ?? 0) < week;
  }
  return open(alarm);
}

// beyond reports whether a state wants alarms that the stream of events does not
// bring: those that are over.
export function beyond(state) {
  return state === "all" || state === "out";
}

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
export function fits(alarm, filter, now, building = "") {
  if (!inState(alarm, filter.state, now)) return false;
  if (["building", "severity", "condition"].some((key) => filter[key] && alarm[key] !== filter[key])) return false;
  return hasWords(filter.q, [alarm.fan, alarm.name, alarm.gateway, alarm.building, building, alarm.condition, format.words(alarm.condition),
    alarm.summary, alarm.acknowledgement?.who, alarm.shelf?.who]);
}

// hasWords reports whether every word of a search is somewhere in some texts.
export function hasWords(search, texts) {
  const text = texts.join(" ").toLowerCase();
  return search.toLowerCase().split(/\s+/).every((word) => text.includes(word));
}

// worseFirst orders alarms: what is worse comes first, then what stands, then
// what was raised last.
export function worseFirst(a, b) {
  return rankOf(b.severity) - rankOf(a.severity) || stands(b) - stands(a) ||
    Date.parse(b.raised) - Date.parse(a.raised) || (a.id < b.id ? -1 : a.id > b.id ? 1 : 0);
}

// memberships are the incidents by each of their members, as the API lists them.
export function memberships(incidents) {
  const by = new Map();
  for (const incident of incidents) {
    for (const id of incident.fans) by.set(memberKey(incident.condition, id, ""), incident);
    for (const id of incident.gateways) by.set(memberKey(incident.condition, "", id), incident);
  }
  return by;
}

// incidentOf is the incident that an alarm is part of as long as it stands, or
// null. Its own word for it is not asked: who was raised before the incident was
// seen does not know of it.
export function incidentOf(alarm, by) {
  if (!stands(alarm)) return null;
  return by.get(memberKey(alarm.condition, alarm.fan ?? "", alarm.fan ? "" : alarm.gateway)) ?? null;
}

const memberKey = (condition, fan, gateway) => [condition, fan, gateway].join("|");

// grouped gathers ordered alarms by the incident that they are part of: a list of
// {key, incident, alarms}, each where its first member would be.
export function grouped(alarms, by) {
  const groups = new Map();
  for (const alarm of alarms) {
    const incident = incidentOf(alarm, by);
    const key = incident ? `together ${incident.id}` : alarm.id;
    if (!groups.has(key)) groups.set(key, { key, incident, alarms: [] });
    groups.get(key).alarms.push(alarm);
  }
  return [...groups.values()];
}

// sections parts groups by the severity of their first member.
export function sections(groups) {
  const all = new Map();
  for (const group of groups) {
    const { severity } = group.alarms[0];
    if (!all.has(severity)) all.set(severity, { severity, groups: [], n: 0 });
    all.get(severity).groups.push(group);
    all.get(severity).n += group.alarms.length;
  }
  return [...all.values()];
}

// holdStill is what to show while somebody is at the list: the lines that are
// shown, in their order, also those that are no longer asked for unless it was
// done by the one who looks (`done`); what is asked for beside them waits.
export function holdStill(shown, wanted, known, done) {
  const fit = new Set(wanted.map((alarm) => alarm.id)), old = new Set(shown);
  return {
    list: shown.filter((id) => known.has(id) && (fit.has(id) || !done.has(id))).map((id) => known.get(id)),
    waiting: wanted.filter((alarm) => !old.has(alarm.id)),
  };
}
