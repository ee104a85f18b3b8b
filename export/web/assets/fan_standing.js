// What stands at a fan: its conditions with what people did about each, those
// that another explains, and those that are over but not yet done with.

import { h, keyed, renew, replace } from "./dom.js";
import { finding, loginLink, mark, when } from "./parts.js";
import { acknowledge, mayOf, shelve, unshelve } from "./acts.js";
import * as format from "./format.js";

// standingOf answers { element, take(fan) }. It tells whether nothing needs
// words.
export function standingOf(site, quiet) {
  const found = h("div", { class: "found" }), rest = h("div", null);
  const element = h("div", null, found, rest);
  const take = (fan) => {
    const alarms = new Map((fan.alarms ?? []).map((alarm) => [alarm.condition, alarm]));
    keyed(found, fan.conditions, (c) => c.condition, () => h("div", null), (place, c) => card(place, c, alarms.get(c.condition), site));
    const also = [explained(fan), past(fan, alarms, site)].filter(Boolean);
    renew(rest, fan.conditions.length === 0 && calm(fan), also);
    quiet(fan.conditions.length === 0 && also.length === 0);
  };
  return { element, take };
}

// card makes a condition's card anew only where something of it changed, so that
// what somebody unfolded stays so.
function card(place, c, alarm, site) {
  const is = JSON.stringify([c, handled(alarm)]);
  if (place.is === is) return;
  const open = place.querySelector("details")?.open;
  place.is = is;
  replace(place, finding(c, null, alarm && h("div", { class: "handled" }, state(alarm), buttons(alarm, site))));
  if (open) place.querySelector("details")?.setAttribute("open", "");
}

function handled(alarm) {
  return alarm && [alarm.id, alarm.state, alarm.acknowledgement, alarm.shelf, alarm.out_of_service, alarm.times, alarm.chattering];
}

// state says who saw to an alarm.
function state(alarm) {
  const told = [];
  if (alarm.shelf) told.push(["Shelved until ", when(alarm.shelf.until), " by ", h("bdi", null, alarm.shelf.who), said(alarm.shelf.why)]);
  if (alarm.acknowledgement) told.push(["Acknowledged ", when(alarm.acknowledgement.time), " by ", h("bdi", null, alarm.acknowledgement.who), said(alarm.acknowledgement.why)]);
  else if (!alarm.shelf) told.push(alarm.state === "returned" ? "It cleared by itself, and nobody has said that they saw it." : "Nobody has acknowledged it yet.");
  if (alarm.times > 1) told.push(`Raised ${alarm.times} times since it first came${alarm.chattering ? ", again and again lately" : ""}.`);
  return told.map((line) => h("p", { class: "quiet" }, line));
}

function said(why) {
  return why ? [": ", h("bdi", null, why)] : ".";
}

function buttons(alarm, site) {
  const may = mayOf(site);
  if (!site.desk || may === "read") return null;
  if (may === "login") return h("p", { class: "quiet" }, loginLink("Log in"), " to acknowledge or shelve it.");
  const about = `: ${format.words(alarm.condition)}`;
  const button = (name, does, main) => h("button", { type: "button", class: main ? "main" : null, "aria-label": name + about, "data-alarm": alarm.id, onclick: () => does(alarm) }, name);
  return h("p", { class: "buttons" },
    !alarm.acknowledgement && button("Acknowledge", acknowledge, !alarm.shelf),
    alarm.shelf ? button("Take back from the shelf", unshelve) : button("Shelve", shelve));
}

function calm(fan) {
  if (fan.suppressed.length) return null;
  const judged = fan.mode === "unknown" ? "Nothing stands, but it cannot be judged now: there is no good reading." : fan.mode === "disabled" ? "Nothing stands. While it is not permitted to run it is not judged."
    : fan.out_of_service ? "Nothing stands. While it is out of service it is not judged." : "Nothing is wrong that its readings would show.";
  return h("p", { class: "calm" }, judged);
}

function explained(fan) {
  if (!fan.suppressed.length) return null;
  return h("div", { class: "explained" }, h("h3", null, "Explained by another"), h("ul", null, fan.suppressed.map((c) =>
    h("li", null, mark(c.severity), " ", h("strong", null, format.words(c.condition)), `, explained by ${format.words(c.silenced_by)}: `, c.summary))));
}

// past lists the alarms that nobody has seen to, or that are put aside, though
// their condition is over.
function past(fan, alarms, site) {
  const stand = new Set([...fan.conditions, ...fan.suppressed].map((c) => c.condition));
  const over = [...alarms.values()].filter((alarm) => !stand.has(alarm.condition));
  if (!over.length) return null;
  return h("div", { class: "explained" }, h("h3", null, "No longer stands"), over.map((alarm) => h("div", { class: "past" },
    h("p", null, mark(alarm.severity), " ", h("strong", null, format.words(alarm.condition)), alarm.cleared ? [", cleared ", when(alarm.cleared)] : ", put aside", ": ", alarm.summary), state(alarm), buttons(alarm, site))));
}
