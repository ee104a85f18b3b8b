// One alarm of the list: a line that opens to all that is known of it and to
// what can be done.

import { h, replace, say } from "./dom.js";
import * as format from "./format.js";
import { buildingLink, causes, evidence, fanLink, loginLink, mark, when } from "./parts.js";
import { open, unknown } from "./alarms_model.js";
import { aside, by, called, lasted, life, often } from "./alarms_words.js";

let made = 0; // for ids of what is unfolded

// makeRow makes the line of an alarm. `list` answers what the line asks: act(what,
// alarm), toggle(id), opened(id), choose(ids, on), chosen (a set of ids), buildings
// (names by id), and may: "act", "login" or "read".
export function makeRow(list) {
  const bits = {
    sign: h("span", { class: "seat" }), what: h("strong"), summary: h("span", { class: "summary" }),
    where: h("p", { class: "where" }), life: h("span", { class: "life" }), aside: h("span", { class: "aside" }), often: h("span", { class: "often" }),
    since: h("time"), detail: h("div", { class: "detail", id: `alarm-${++made}`, hidden: true }), act: h("p", { class: "act" }),
  };
  const row = h("li", { class: "alarm" });
  bits.severity = h("span", { class: "severity" });
  bits.head = h("button", { type: "button", class: "head", "aria-expanded": "false", "aria-controls": bits.detail.id, "data-at": "head", onclick: () => list.toggle(row.alarm.id) },
    bits.sign, h("span", { class: "title" }, bits.severity, " ", bits.what), bits.summary);
  bits.check = list.may === "act" && h("input", { type: "checkbox", "data-at": "check", onchange: () => list.choose([row.alarm.id], bits.check.checked) });
  row.append(h("div", { class: "line" },
    bits.check && h("label", { class: "check" }, bits.check),
    bits.head, bits.where, h("p", { class: "standing" }, h("span", { class: "since" }, bits.since), bits.life, bits.aside, bits.often), bits.act), bits.detail);
  row.bits = bits;
  return row;
}

// updateRow brings a line up to date; what has not changed is left alone.
export function updateRow(row, alarm, list) {
  const { bits } = row;
  const isOpen = list.opened(alarm.id);
  if (row.alarm !== alarm) showAlarm(row, alarm, list);
  row.alarm = alarm;
  if (bits.check) bits.check.checked = list.chosen.has(alarm.id);
  row.classList.toggle("chosen", list.chosen.has(alarm.id));
  row.classList.toggle("opened", isOpen);
  bits.head.setAttribute("aria-expanded", String(isOpen));
  bits.detail.hidden = !isOpen;
  if (isOpen && bits.shown !== alarm) {
    bits.shown = alarm;
    replace(bits.detail, detail(alarm, list));
  }
  tickRow(row);
}

function showAlarm({ dataset, bits, classList }, alarm, list) {
  dataset.alarm = alarm.id;
  dataset.severity = alarm.severity;
  dataset.condition = alarm.condition;
  dataset.state = alarm.state;
  classList.toggle("quieted", alarm.quiet);
  replace(bits.sign, mark(alarm.severity));
  say(bits.severity, alarm.severity);
  say(bits.what, format.words(alarm.condition));
  say(bits.summary, alarm.summary);
  const building = buildingLink(alarm.building, list.buildings.get(alarm.building));
  replace(bits.where, alarm.fan ? fanLink(alarm.fan, alarm.name) : h("span", null, h("bdi", null, alarm.gateway)), h("small", null, building));
  for (const link of bits.where.querySelectorAll("a")) link.dataset.at = link.dataset.fan ? "fan" : "building";
  say(bits.life, life(alarm));
  say(bits.aside, aside(alarm));
  say(bits.often, often(alarm));
  bits.check?.setAttribute?.("aria-label", `select ${called(alarm)}`);
  replace(bits.act, open(alarm) ? acting("acknowledge", "Acknowledge", alarm, list) : null);
}

// tickRow writes anew how long an alarm has stood.
export function tickRow({ alarm, bits }) {
  const from = alarm.raised ?? alarm.since;
  if (bits.from !== from) {
    bits.from = from;
    bits.since.dateTime = from;
    bits.since.title = format.exact(from);
  }
  say(bits.since, lasted(alarm));
}

// acting is a button for an act, or the way to the login where nobody is logged
// in.
function acting(what, words, alarm, list) {
  if (list.may === "read") return null;
  if (list.may === "login") {
    const link = loginLink(words);
    link.className = "button";
    link.dataset.at = what;
    link.title = "asks for your name and password first";
    return link;
  }
  return h("button", { type: "button", "data-at": what, "data-act": what, onclick: () => list.act(what, alarm) }, words);
}

function detail(alarm, list) {
  const service = alarm.fan && (alarm.out_of_service ? ["putIn", "Put fan back in service"] : ["takeOut", "Take fan out of service"]);
  const acts = [
    unknown(alarm) && ["acknowledge", "Acknowledge with a note"],
    alarm.shelf ? ["unshelve", "Take back from the shelf"] : alarm.state !== "normal" && ["shelve", "Shelve"],
    service,
  ].filter(Boolean);
  return [
    h("div", { class: "why" },
      alarm.first_check && h("p", { class: "first" }, h("b", null, "First check"), " ", h("span", null, alarm.first_check)),
      alarm.causes?.length > 0 && [h("h3", null, "Likely causes"), causes(alarm)]),
    h("div", { class: "known" },
      Object.keys(alarm.evidence ?? {}).length > 0 && [h("h3", null, "Evidence"), evidence(alarm)],
      h("h3", null, "Life"), lifeLines(alarm),
      h("p", { class: "quiet" }, h("a", { href: `/alarms?show=journal&alarm=${encodeURIComponent(alarm.id)}`, "data-at": "journal" }, "Its journal"), alarm.fan && [" · ", h("a", { href: `/fans/${encodeURIComponent(alarm.fan)}`, "data-at": "page" }, "The fan with its trends")])),
    list.may !== "read" && h("p", { class: "buttons" }, acts.map(([what, words]) => acting(what, words, alarm, list))),
  ];
}

function lifeLines(alarm) {
  const lines = [
    ["First raised", alarm.since && when(alarm.since)],
    alarm.times > 1 && ["Raised again", [alarm.raised && when(alarm.raised), `, ${alarm.times} times in all`]],
    alarm.acknowledgement && ["Acknowledged", by(alarm.acknowledgement)],
    alarm.shelf && ["Shelved", `${by(alarm.shelf)}, until ${format.clock(alarm.shelf.until)}`],
    alarm.cleared && ["Back to normal", when(alarm.cleared)],
    alarm.suppressed_by && ["Explained by", format.words(alarm.suppressed_by)],
  ].filter(Boolean);
  return h("dl", { class: "lived" }, lines.map(([name, value]) => h("div", null, h("dt", null, name), h("dd", null, value))));
}
