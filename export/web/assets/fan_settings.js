// A fan's settings beside what its controller says of them, where each of its
// points lies and what was last read there, and its turnover records.

import { h, keyed, replace, say } from "./dom.js";
import { get, path } from "./api.js";
import { failed, mark } from "./parts.js";
import { turnoversOf } from "./fan_turnovers.js";
import { qualityWords } from "./fan_words.js";
import * as format from "./format.js";

// settingsOf answers { element, take(fan), limits(told), close() }. It asks anew
// after each poll while somebody looks at it.
export function settingsOf(fan) {
  const parts = { trouble: h("div", null), settings: h("tbody", null), points: h("tbody", null), turnovers: turnoversOf(fan), age: h("span", { class: "quiet" }) };
  const state = { id: fan.id, polled: fan.polled, seen: false, asking: false, told: () => {} };
  const element = h("div", { class: "record" }, parts.trouble,
    h("section", { "aria-labelledby": "settings" }, h("h2", { id: "settings" }, "Settings"), table("What the fleet file says, and what the controller says of itself", ["Setting", "Fleet file", "Controller", "At turnover"], parts.settings, "settings")),
    h("section", { "aria-labelledby": "points" },
      h("div", { class: "titled" }, h("h2", { id: "points" }, "Points"), parts.age, h("button", { type: "button", onclick: () => ask(state, parts) }, "Read the list again")),
      table("Where each point lies, and the words that were read there last", ["Point", "Value", "Quality", "Raw words", "Place", "Form"], parts.points, "points")),
    parts.turnovers.element);
  const watch = new IntersectionObserver((entries) => {
    state.seen = entries.at(-1).isIntersecting;
    renewed();
  });
  const renewed = () => {
    if (state.polled === state.asked || !state.seen || document.visibilityState !== "visible") return;
    ask(state, parts);
  };
  watch.observe(element);
  ask(state, parts);
  return { element, limits: (told) => (state.told = told), close: () => watch.disconnect(), take: (now) => {
    state.polled = now.polled;
    renewed();
  } };
}

function table(caption, names, body, kind) {
  return h("table", { class: `folds ${kind}` }, h("caption", null, caption), h("thead", null, h("tr", null, names.map((name) => h("th", { scope: "col" }, name)))), body);
}

async function ask(state, parts) {
  if (state.asking) return;
  state.asking = true;
  state.asked = state.polled;
  try {
    show(state, parts, await get(path("api", "v1", "fans", state.id, "settings")));
    replace(parts.trouble);
  } catch (error) {
    failed(parts.trouble, error);
  }
  state.asking = false;
}

function show(state, parts, answer) {
  const recorded = new Map(answer.baseline?.settings.map((setting) => [setting.key, setting.text]));
  const settings = answer.settings.map((setting) => ({ ...setting, recorded: recorded.get(setting.key) }));
  keyed(parts.settings, settings, (setting) => setting.key, () => h("tr", null), (row, setting) => anew(row, setting, settingCells));
  keyed(parts.points, answer.points, (point) => point.point, () => h("tr", null), (row, point) => anew(row, point, pointCells));
  parts.settings.parentNode.classList.toggle("recorded", Boolean(answer.baseline));
  say(parts.age, answer.read ? `of the reading of ${format.clock(answer.read)}:${answer.read.slice(17, 19)}` : "never read");
  parts.turnovers.take(answer.turnover);
  const limits = limitsOf(answer.settings), are = JSON.stringify(limits);
  if (state.limits !== are) state.told(limits);
  state.limits = are;
}

// anew fills a row where what it tells has changed.
function anew(row, item, cells) {
  const is = JSON.stringify({ ...item, age_s: null });
  if (row.is === is) return;
  row.is = is;
  replace(row, cells(item));
}

function settingCells({ key, title, text, default: usual, read_back: read, agrees, recorded }) {
  const says = !read ? "–" : read.quality === "good" ? read.text : qualityWords[read.quality] ?? format.words(read.quality);
  return [h("th", { scope: "row" }, title || format.words(key)),
    h("td", { "data-is": "Fleet file" }, text || "not given", usual && h("small", null, "not given: the usual")),
    h("td", { "data-is": "Controller", class: read ? null : "none" }, says, agrees === true && h("small", null, "agrees"), agrees === false && h("span", { class: "differs" }, mark("ticket"), " differs")),
    h("td", { "data-is": "At turnover", class: recorded ? null : "none" }, recorded ?? "–")];
}

function pointCells(p) {
  const good = p.quality === "good";
  return [h("th", { scope: "row" }, p.title || format.words(p.point), h("small", { class: "key" }, p.point)),
    h("td", { "data-is": "Value" }, good ? p.shown : "–", p.note && h("small", null, p.note)),
    h("td", { "data-is": "Quality" }, good ? "good" : h("strong", null, qualityWords[p.quality] ?? format.words(p.quality))),
    h("td", { "data-is": "Raw words", class: "raw" }, p.raw?.join(" ") ?? "none yet"),
    h("td", { "data-is": "Place" }, placeOf(p)), h("td", { "data-is": "Form" }, formOf(p))];
}

// placeOf says where a point lies: as manuals number it, and as the protocol
// does; on BACnet, the object.
function placeOf(p) {
  if (p.object) return [p.object, h("small", null, `device ${p.unit_id}`, p.priority && `, written at priority ${p.priority}`)];
  return [`${p.table} ${p.register}`, h("small", null, `address ${p.address} of unit ${p.unit_id}`)];
}

function formOf(p) {
  const bit = p.bit !== undefined && p.bit !== null && `bit ${p.bit}`, scale = p.scale !== undefined && p.scale !== 1 && `× ${p.scale}`;
  const offset = p.offset ? `${p.offset < 0 ? "−" : "+"} ${Math.abs(p.offset)}` : "";
  return [[p.type, p.order, bit, scale, offset, p.unit, p.states && `closed in state ${p.states.join(" or ")}`, p.invert && "inverted"].filter(Boolean).join(" "), p.invalid && h("small", null, `${p.invalid.join(", ")}: no value`)];
}

// limitsOf are the lines of a trend that the settings give.
function limitsOf(settings) {
  const value = (key) => settings.find((setting) => setting.key === key)?.value ?? null;
  return { min_speed: value("min_speed"), max_speed: value("max_speed"), high_speed_at: value("high_speed_at"), high_speed_off_at: value("high_speed_off_at"),
    idle_below: value("idle_below"), probe: settings.find((setting) => setting.key === "probe_range")?.ends ?? null };
}
