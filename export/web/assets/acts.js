// What people do: each act asks for what it needs in a dialog, does it, and
// answers null where it was given up. How things are afterwards comes by the
// stream of events.

import { h } from "./dom.js";
import { path, post } from "./api.js";
import { ask } from "./parts.js";
import { fromLocal, local } from "./zone.js";
import * as format from "./format.js";

// mayOf says what the one who looks may do: "act", "login" first and then act, or
// only "read", where nobody has a login.
export function mayOf(site) {
  return site.who ? "act" : site.users ? "login" : "read";
}

const mostText = 500; // characters that the daemon takes of a note or a reason

// acknowledge says that somebody knows of an alarm.
export function acknowledge(alarm) {
  return ask(`Acknowledge: ${called(alarm)}`, [
    h("p", { class: "quiet" }, "It says that you know of it and see to it. The alarm stands until what is wrong is gone."),
    text("note", "Note (may be empty)", false),
  ], "Acknowledge", ({ note }) => post(of(alarm, "acknowledge"), { note }));
}

const lengths = [["1h", "1 hour"], ["8h", "8 hours"], ["1d", "1 day"], ["7d", "1 week"]];

// shelve puts an alarm aside for a time, at most a week, with a reason.
export function shelve(alarm) {
  const until = h("input", { type: "datetime-local", name: "until", disabled: true, hidden: true, "aria-label": "until when",
    min: local(format.now(), format.zone()), max: local(format.now() + 7 * 86400e3, format.zone()), required: true });
  const choose = () => {
    until.disabled = until.hidden = !given.checked;
    if (given.checked) until.focus();
  };
  const given = radio("until", false);
  const choices = lengths.map(([value, name], i) => h("label", null, radio(value, i === 1), " ", name));
  return ask(`Shelve: ${called(alarm)}`, [
    h("p", { class: "quiet" }, "Nobody is told of it until the time is over; then it comes back by itself if it still stands."),
    h("fieldset", { class: "choices", onchange: choose }, h("legend", null, "For how long"), choices,
      h("label", null, given, " until (site time)"), until),
    text("reason", "Reason", true),
  ], "Shelve", ({ length, reason, until }) => post(of(alarm, "shelve"), length === "until" ? { until: instantOf(until), reason } : { for: length, reason }));
}

function radio(value, checked) {
  return h("input", { type: "radio", name: "length", value, checked });
}

// instantOf reads the time that somebody chose, as clocks on site show it.
function instantOf(chosen) {
  const at = fromLocal(chosen, format.zone());
  if (Number.isNaN(at)) throw new Error("Choose until when: a day and a time within the next week.");
  return new Date(at).toISOString();
}

// unshelve takes an alarm back from its shelf.
export function unshelve(alarm) {
  const by = alarm.shelf && h("p", null, h("bdi", null, alarm.shelf.who), ` put it aside until ${format.clock(alarm.shelf.until)}: `, h("bdi", null, alarm.shelf.why));
  return ask(`Take back from the shelf: ${called(alarm)}`, [by, h("p", { class: "quiet" }, "From now on people are told of it again.")],
    "Take it back", () => post(of(alarm, "unshelve")));
}

// takeOut takes a fan out of service, as for work on it.
export function takeOut(fan) {
  return ask(`Take ${fan.name || fan.id} out of service`, [
    h("p", { class: "quiet" }, "While it is out of service it is read and recorded, but not judged, and nobody is told of it. It does not stop the fan: lock it out at the fan itself."),
    text("reason", "Reason", true),
  ], "Take out of service", ({ reason }) => post(path("api", "v1", "fans", fan.id, "out_of_service"), { reason }));
}

// putIn puts a fan back in service.
export function putIn(fan) {
  return ask(`Put ${fan.name || fan.id} back in service`,
    [h("p", { class: "quiet" }, "It is judged again from now on, and people are told of what is wrong with it.")],
    "Put back in service", () => post(path("api", "v1", "fans", fan.id, "in_service")));
}

function of(alarm, act) {
  return path("api", "v1", "alarms", alarm.id, act);
}

function called(alarm) {
  return `${format.words(alarm.condition)}, ${alarm.name || alarm.fan || alarm.gateway}`;
}

function text(name, title, required) {
  return h("label", null, h("span", null, title), h("textarea", { name, required, rows: 2, maxlength: mostText }));
}
