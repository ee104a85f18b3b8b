// What a trend says in words: what lies under its cursor, and what all of it
// comes to. A screen reader reads this where others see the curves.

import { h } from "./dom.js";
import { when } from "./parts.js";
import { holeText } from "./trend_draw.js";
import { sentence } from "./journal_words.js";
import * as data from "./trend_data.js";
import * as format from "./format.js";

// readout is what was read at the cursor, or last: [name, text, wide].
export function readout(state) {
  const { list, cursor, fan } = state;
  const step = cursor === null ? list.at(-1) : data.stepAt(list, cursor, Math.max(state.period, state.step) / 2 + 1);
  const time = cursor === null ? (step ? step.to : state.end) : cursor;
  const rows = [[cursor === null ? "Latest" : "At", exactly(time, step)]];
  if (!step) return [...rows, ["Reading", "nothing recorded"], ["Setpoint", "–"], ["Speed", "–"], ["Contact", "–"], ["Reads", "none"], ["Mode", "–", true], ...around(state, time)];
  const dimension = format.held(fan.controls);
  return [...rows,
    ["Reading", step.value ? extent(step.value, dimension) : holeOf(step)],
    ["Setpoint", step.setpoint === null ? "–" : format.quantity(step.setpoint, dimension)],
    ["Speed", step.speed ? extent(step.speed, "ratio") : "–"],
    ["Contact", contact(step.contact)], ["Reads", reads(step)], ["Mode", modes(step.modes), true], ...around(state, time)];
}

function exactly(time, step) {
  const second = new Date(time);
  const clock = `${format.clock(second)}:${String(second.getUTCSeconds()).padStart(2, "0")}`;
  return step && step.readings > 1 ? `${clock}, step of ${format.span((step.to - step.from) / 1000)}` : clock;
}

function extent({ min, max, mean }, dimension) {
  const [low, high] = [format.number(min, dimension), format.number(max, dimension)];
  return low === high ? format.quantity(mean, dimension) : `${format.quantity(mean, dimension)} (${low} to ${high})`;
}

function holeOf(step) {
  const outcome = data.most(step.outcomes);
  return holeText(outcome && outcome !== "ok" ? { kind: "failed", outcome } : { kind: "unusable" });
}

function contact(share) {
  if (share === null) return "not known";
  return share === 1 ? "closed" : share === 0 ? "open" : `closed ${format.ratio(share)} of it`;
}

function modes(shares) {
  const all = Object.entries(shares).sort((a, b) => b[1] - a[1]);
  if (all.length === 0) return "not known";
  return all.map(([name, share]) => (all.length === 1 ? said(name) : `${said(name)} ${format.ratio(share)}`)).join(", ");
}

function said(mode) {
  return mode === "unknown" ? "not known" : format.words(mode);
}

function reads({ readings, outcomes }) {
  const bad = Object.entries(outcomes).filter(([name]) => name !== "ok");
  if (readings === 1) return bad.length ? format.words(bad[0][0]) : "answered";
  return `${readings}${bad.map(([name, share]) => `, ${format.words(name)} ${Math.max(1, Math.round(share * readings))}`).join("")}`;
}

// around tells which conditions stood then, and what somebody did near it.
function around({ lanes, acts, cursor, step }, time) {
  const stood = lanes.filter((lane) => lane.spans.some((span) => span.begin <= time && (span.goesOn || span.end >= time))).map((lane) => `${format.words(lane.condition)} (${lane.severity})`);
  const near = cursor === null ? [] : acts.filter((act) => Math.abs(Date.parse(act.time) - time) <= step * 4).map(actText);
  return [["Stood", [...stood, ...near].join("; ") || "nothing", true]];
}

function actText(act) {
  const { who, did, what, why } = sentence(act);
  return [who, did, what || "it"].join(" ") + (why ? `: ${why}` : "");
}

// figures is the summary of what is shown, as a table.
export function figures(list, { fan }, acts) {
  const dimension = format.held(fan.controls), sum = data.tally(list);
  const told = [["By mode", shares(sum.modes)], sum.closed + sum.open > 0 && ["Contact", shut(sum)], ["Reads", counts(sum)]].filter(Boolean);
  return [h("h3", null, "In the time shown"),
    h("table", { class: "reaches" }, h("thead", null, h("tr", null, h("td", null), ["Lowest", "Mean", "Highest"].map((name) => h("th", { scope: "col" }, name)))),
      h("tbody", null, extremes(format.held(fan.controls) === "flow" ? "Airflow" : "Pressure", data.reach(list, (one) => one.value), dimension), extremes("Speed", data.reach(list, (one) => one.speed), "ratio"))),
    h("dl", { class: "tallies" }, told.map(([name, text]) => h("div", null, h("dt", null, name), h("dd", null, text)))),
    acts.length > 0 && [h("h3", null, "What people did in it"), h("ul", { class: "acts" }, acts.map((act) => h("li", null, when(act.time), " ", actText(act))))]];
}

function extremes(name, found, dimension) {
  const th = h("th", { scope: "row" }, `${name}, ${format.unitOf(dimension)}`);
  if (!found) return h("tr", null, th, h("td", { colspan: 3 }, "none that can be used"));
  if (format.number(found.low, dimension) === format.number(found.high, dimension)) return h("tr", null, th, h("td", { colspan: 3 }, `${format.number(found.mean, dimension)} all the time`));
  const end = (value, time) => h("td", null, format.number(value, dimension), h("small", null, when(new Date(time).toISOString())));
  return h("tr", null, th, end(found.low, found.lowAt), h("td", null, format.number(found.mean, dimension)), end(found.high, found.highAt));
}

function shut({ closed, open }) {
  return [closed > 0 && `closed ${format.span(closed)}`, open > 0 && `open ${format.span(open)}`].filter(Boolean).join(", ");
}

function shares(modes) {
  const all = Object.entries(modes).sort((a, b) => b[1] - a[1]);
  return all.length ? all.map(([name, seconds]) => `${said(name)} ${format.span(seconds)}`).join(", ") : "nothing recorded";
}

function counts({ readings, outcomes }) {
  if (!readings) return "none";
  const bad = Object.entries(outcomes).filter(([name]) => name !== "ok");
  return `${readings.toLocaleString("en-GB")}, ${bad.length ? bad.map(([name, n]) => `${n.toLocaleString("en-GB")} failed: ${format.words(name)}`).join(", ") : "none failed"}`;
}
