// The list as it is drawn: a section a severity, in it the alarms, and those that
// went wrong together folded below one line with their likely common cause.

import { h, keyed, replace, say } from "./dom.js";
import * as format from "./format.js";
import { buildingLink, fanLink, mark, when } from "./parts.js";
import { grouped, sections, unknown } from "./alarms_model.js";
import { severityWords } from "./alarms_words.js";
import { makeRow, updateRow } from "./alarms_row.js";

// drawList brings an element up to date with ordered alarms. `incidents` are by
// their members, and `list` is what the lines ask.
export function drawList(element, alarms, incidents, list) {
  keyed(element, sections(grouped(alarms, incidents)), (part) => part.severity, makeSection, (section, part) => {
    say(section.count, String(part.n));
    keyed(section.list, part.groups, (group) => group.key, (group) => (group.incident ? makeTogether(list) : makeRow(list)), (item, group) => {
      if (group.incident) updateTogether(item, group, list);
      else updateRow(item, group.alarms[0], list);
    });
  });
}

function makeSection({ severity }) {
  const count = h("span", { class: "n" }), inner = h("ul", { role: "list" });
  const section = h("section", { class: severity, "aria-labelledby": `of-${severity}` },
    h("h2", { id: `of-${severity}` }, mark(severity), " ", severityWords[severity], " ", count), inner);
  return Object.assign(section, { count, list: inner });
}

let made = 0; // for ids of what is unfolded

function makeTogether(list) {
  const inner = h("ul", { role: "list", id: `together-${++made}` });
  const bits = {
    sign: h("span", { class: "seat" }), what: h("strong"), summary: h("span", { class: "summary" }),
    where: h("p", { class: "where" }), state: h("p", { class: "standing" }), act: h("p", { class: "act" }), why: h("div", { class: "why" }),
  };
  const item = h("li", { class: "together" });
  bits.head = h("button", { type: "button", class: "head", "data-at": "head", "aria-controls": inner.id, onclick: () => list.toggle(item.key) },
    bits.sign, h("span", { class: "title" }, bits.what), bits.summary);
  bits.line = h("div", { class: "line" }, list.may === "act" && h("span"), bits.head, bits.where, bits.state, bits.act);
  item.append(bits.line, bits.why, inner);
  return Object.assign(item, { bits, list: inner });
}

function updateTogether(item, { key, incident, alarms }, list) {
  const { bits } = item;
  const left = alarms.filter(unknown), open = list.opened(key);
  const text = JSON.stringify([incident, left.length, alarms.map((alarm) => [alarm.id, alarm.state, alarm.name])]);
  if (item.text !== text) {
    item.text = text;
    showTogether(bits, incident, alarms, left, list);
    replace(bits.act, list.may === "act" && left.length > 1 && h("button", { type: "button", "data-at": "acknowledge", onclick: () => list.acknowledgeAll(item.left) }, `Acknowledge ${left.length}`));
  }
  Object.assign(item, { left, alarms });
  item.dataset.state = left.length ? "unacknowledged" : "acknowledged";
  bits.head.setAttribute("aria-expanded", String(open));
  item.classList.toggle("opened", open);
  item.list.hidden = !open;
  keyed(item.list, alarms, (alarm) => alarm.id, () => makeRow(list), (row, alarm) => updateRow(row, alarm, list));
}

function showTogether(bits, incident, alarms, left, list) {
  const [worst] = alarms;
  const name = format.words(incident.condition);
  const links = [...incident.fans.map((id) => fanLink(id, list.nameOf(id))), ...incident.gateways.map((id) => h("bdi", null, id))];
  replace(bits.sign, mark(worst.severity));
  replace(bits.what, `${name}, ${format.counted(links.length, worst.fan ? "fan" : "gateway")} together`);
  say(bits.summary, incident.summary.replaceAll(incident.condition, name));
  replace(bits.where, h("span", null, buildingLink(incident.building, list.buildings.get(incident.building))));
  replace(bits.state, h("span", { class: "since" }, incident.since && when(incident.since)),
    h("span", { class: "life" }, left.length ? `${left.length} of ${links.length} not acknowledged` : "all that are listed are acknowledged"));
  replace(bits.why,
    incident.cause && h("p", null, h("b", null, "Likely common cause"), " ", h("span", null, incident.cause)),
    incident.check && h("p", null, h("b", null, "First check"), " ", h("span", null, incident.check)),
    h("p", null, h("b", null, worst.fan ? "Fans" : "Gateways"), " ", h("span", null, links.map((link, i) => [i > 0 && ", ", link]))));
}
