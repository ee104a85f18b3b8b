// The head of a fan's page: what it is, and what it reads now.

import { h, renew, replace, s, say } from "./dom.js";
import { get, path } from "./api.js";
import { buildingLink, fanLink, when } from "./parts.js";
import { mayOf, putIn, takeOut } from "./acts.js";
import { compare, modeWords, outcomeWords, qualityWords } from "./fan_words.js";
import { controlledOf, setpointOf } from "./trend_data.js";
import { scale } from "./axis.js";
import * as format from "./format.js";

const gatewayEvery = 15e3; // ms between two looks at its gateway

// headOf makes the head of a fan. It answers { element, take(fan), know(limits),
// tick() }.
export function headOf(fan, gateway, site) {
  const state = { fan, gateway, site, limits: {}, looked: performance.now() };
  const parts = {
    out: h("div", null), forced: h("div", null), silent: h("div", null), now: h("dl", { class: "now" }), age: h("span", null), line: h("span", null),
    partners: h("p", { class: "partners", hidden: true }), acts: h("p", { class: "buttons" }),
  };
  const element = h("div", { class: "head" },
    h("div", { class: "who" },
      h("h1", null, h("bdi", null, fan.name)),
      h("p", { class: "quiet place" }, h("span", { class: "id" }, fan.id), " in ", buildingLink(fan.building, buildingName(site, fan.building)), placeOf(fan)),
      parts.partners),
    parts.acts, caution(fan), parts.forced, parts.out, parts.silent, parts.now,
    h("p", { class: "quiet source" }, parts.age, " ", parts.line));
  if (fan.group) findPartners(state, parts);
  return { element, take: (now) => take(state, parts, now), tick: () => tick(state, parts), know: (limits) => {
    state.limits = limits;
    take(state, parts, state.fan);
  } };
}

function buildingName(site, id) {
  return site.buildings.find((building) => building.id === id)?.name;
}

function placeOf(fan) {
  return [fan.location, fan.serves && `serves ${lower(fan.serves)}`, fan.duty && `${format.words(fan.duty)} exhaust`].filter(Boolean).map((text) => [" · ", h("bdi", null, text)]);
}

// lower makes what stands within a sentence begin small, unless it is a name in
// capitals.
function lower(text) {
  return /^[A-Z][a-z]/.test(text) ? text[0].toLowerCase() + text.slice(1) : text;
}

const careful = new Set(["smoke_control", "kitchen", "laboratory", "garage", "dryer_shaft"]);

function caution(fan) {
  if (!fan.life_safety && !careful.has(fan.duty)) return null;
  const kind = fan.life_safety ? "Life safety" : `${format.words(fan.duty)} exhaust`;
  return h("p", { class: "caution" }, h("strong", null, `${kind[0].toUpperCase()}${kind.slice(1)}. `),
    "People count on this fan. Only look: leave stopping, forcing and opening it to those who answer for it.");
}

async function findPartners(state, parts) {
  const { fan } = state;
  const fleet = await get("/api/v1/fleet").catch(() => null);
  const others = fleet?.fans.filter((other) => other.group === fan.group && other.id !== fan.id) ?? [];
  replace(parts.partners, `${fan.role ? cap(fan.role) : "One"} of ${fan.group}`,
    others.length ? [", with ", others.map((other, i) => [i ? ", " : "", fanLink(other.id, other.name), other.role ? ` (${other.role})` : ""])] : ", with no other fan");
  parts.partners.hidden = false;
}

function cap(text) {
  return text[0].toUpperCase() + text.slice(1);
}

function take(state, parts, fan) {
  state.fan = fan;
  renew(parts.out, outOfService(fan));
  renew(parts.forced, leftForced(fan));
  renew(parts.silent, silence(fan));
  renew(parts.now, reading(fan), speed(fan, state.limits), mode(fan), contact(fan));
  buttons(state, parts);
  tick(state, parts);
}

function outOfService({ out_of_service: out }) {
  if (!out) return null;
  return h("p", { class: "out" }, h("strong", null, "Out of service "), "since ", when(out.time), ", by ", h("bdi", null, out.who), out.why ? [": ", h("bdi", null, out.why)] : "",
    ". It is read and recorded, not judged, and nobody is told of it.");
}

function leftForced({ left_forced: left }) {
  if (!left) return null;
  return h("p", { class: "failed", role: "alert" }, h("strong", null, "May still be forced. "), "An exercise", left.since ? [" begun ", when(left.since)] : "",
    " ended without giving the fan back. Give it back with ", h("code", null, left.remedy), ", or set it back to automatic at its controller, and see that it follows its pressure again.");
}

function silence(fan) {
  if (fan.up === null) return h("p", { class: "failed" }, h("strong", null, "Not polled yet. "), "The first round of readings is under way.");
  if (!fan.up) {
    return h("p", { class: "failed" }, h("strong", null, "Does not answer: "), outcomeWords[fan.outcome] ?? format.words(fan.outcome), ". ",
      fan.last_good ? ["Last read ", when(fan.last_good), ", ", format.ago(fan.last_good), "; the trend shows what it was then."] : "It was never read.");
  }
  const missing = Object.entries(fan.missing);
  if (!missing.length) return null;
  return h("p", { class: "failed" }, h("strong", null, "Without a value now: "),
    missing.map(([point, why]) => `${format.words(point)} (${qualityWords[why] ?? format.words(why)})`).join(", "), fan.outcome !== "ok" ? `; the last read: ${outcomeWords[fan.outcome] ?? format.words(fan.outcome)}` : "", ".");
}

// large is a figure with its unit small behind it.
function large(name, number, unit, ...rest) {
  return h("div", null, h("dt", null, name), h("dd", null, h("span", { class: "large" }, number, unit && h("span", { class: "unit" }, ` ${unit}`)), rest));
}

const judged = new Set(["controlling", "at_max", "at_min"]); // elsewhere it need not hold its setpoint

function reading(fan) {
  const dimension = format.held(fan.controls), value = controlledOf(fan), setpoint = setpointOf(fan);
  const [word, sentence] = compare(fan);
  const wants = setpoint === null ? "no setpoint is known" : ["setpoint ", h("span", { class: "second" }, format.quantity(setpoint, dimension))];
  return large(fan.controls === "airflow" ? "Airflow" : `Pressure, ${fan.probe}`, value === undefined ? "–" : format.number(value, dimension), value === undefined ? "" : format.unitOf(dimension),
    h("span", { class: "wants" }, wants), strip(fan, value, setpoint),
    h("span", { class: "under" }, h("span", { class: word !== "within" && judged.has(fan.mode) ? "off" : null }, sentence), fan.setpoint_from === "fleet_file" && `${sentence && "; "}the setpoint is the fleet file's`));
}

// strip shows the reading as a share of its setpoint, the same for every fan: zero
// and the setpoint are always at their places, and the box is how far it may be
// off. Beyond its ends the reading stays at them.
function strip(fan, value, setpoint) {
  if (setpoint === null || setpoint === 0) return null;
  const tolerance = (fan.tolerance_pa ?? fan.tolerance_m3s) / Math.abs(setpoint);
  const x = scale(-0.5, 2, 4, 196), at = (share) => x(Math.min(Math.max(share, -0.5), 2));
  return [s("svg", { class: "strip", viewBox: "0 0 200 16", preserveAspectRatio: "none", "aria-hidden": "true" },
    s("path", { class: "ground", d: "M4 8H196" }), s("rect", { class: "band", x: at(1 - tolerance), y: 2, width: at(1 + tolerance) - at(1 - tolerance), height: 12 }),
    s("path", { class: "zero", d: `M${x(0)} 3V13` }), s("path", { class: "want", d: `M${x(1)} 0V16` }),
    value !== undefined && s("path", { class: "is", d: `M${at(value / setpoint)} 8h.01` })),
  h("span", { class: "marks", "aria-hidden": "true" }, h("span", { class: "nought" }, "0"), h("span", { class: "wanted" }, "setpoint"))];
}

function speed(fan, limits) {
  const value = fan.values.speed;
  const x = scale(0, 1, 4, 196), bounds = [["least", limits.min_speed], ["most", limits.max_speed], ["makes", limits.high_speed_at]].filter(([, at]) => at !== null && at !== undefined);
  const bar = s("svg", { class: "strip", viewBox: "0 0 200 16", preserveAspectRatio: "none", "aria-hidden": "true" },
    s("path", { class: "ground", d: "M4 8H196" }), value !== undefined && s("path", { class: "turn", d: `M4 8H${x(Math.min(Math.max(value, 0), 1))}` }),
    bounds.map(([name, at]) => s("path", { class: name, d: `M${x(at)} 1V15` })));
  return large("Speed, as commanded", value === undefined ? "–" : format.number(value, "ratio"), value === undefined ? "" : format.unitOf("ratio"), bar,
    h("span", { class: "under" }, bound(limits)), h("span", { class: "under" }, runs(fan)));
}

function bound({ min_speed: least, max_speed: top, high_speed_at: makes }) {
  if (least === undefined) return "";
  return [`${format.number(least, "ratio")} to ${format.ratio(top)}`, makes !== null && `contact at ${format.ratio(makes)}`].filter(Boolean).join(", ");
}

function runs({ values }) {
  const told = [
    values.rpm !== undefined && format.quantity(values.rpm, "rotation"), values.power_w !== undefined && format.quantity(values.power_w, "power"),
    values.running !== undefined && (values.running ? "its controller says it runs" : "its controller says it does not run"),
    values.proof !== undefined && (values.proof ? "proof on" : "proof off"),
  ].filter(Boolean);
  return told.join(", ");
}

function mode(fan) {
  const [word, meaning] = modeWords[fan.mode] ?? [format.words(fan.mode), ""];
  return large("Mode", word, "", h("span", { class: "under" }, meaning));
}

function contact(fan) {
  const closed = fan.values.high_speed;
  if (closed === undefined && !("high_speed" in fan.missing)) return null;
  return large("High-speed contact", closed === undefined ? "–" : closed ? "Closed" : "Open", "",
    h("span", { class: "under" }, closed === undefined ? qualityWords[fan.missing.high_speed] ?? "" : ""));
}

function buttons(state, parts) {
  const { fan, site } = state, out = Boolean(fan.out_of_service);
  if (!site.desk || mayOf(site) !== "act" || parts.acts.dataset.out === String(out)) return;
  parts.acts.dataset.out = String(out);
  replace(parts.acts, out ? h("button", { type: "button", class: "main", onclick: () => putIn(state.fan) }, "Put back in service")
    : h("button", { type: "button", onclick: () => takeOut(state.fan) }, "Take out of service"));
}

// tick says how old the values are, and looks at the gateway now and then.
function tick(state, parts) {
  const { fan, gateway } = state;
  const age = fan.last_good ? format.age(fan.last_good) : null;
  const old = age === null || age > gateway.stale_after_s;
  say(parts.age, age === null ? "Never read." : `Read ${format.span(age)} ago${old ? `: too old to be shown or judged (at most ${format.span(gateway.stale_after_s)}).` : "."}`);
  parts.age.className = old ? "old" : "";
  const says = gateway.up === null ? "was not polled yet" : gateway.up ? `answers, a cycle takes ${took(gateway.took_s)}` : "does not answer";
  renew(parts.line, "Gateway ", h("a", { href: path("buildings", fan.building) }, gateway.id), ` ${says}; polled every ${format.span(gateway.poll_every_s)}, ${gateway.url?.startsWith("bacnet:") ? "device" : "unit"} ${fan.unit}, point map ${fan.pointmap}.`);
  if (performance.now() - state.looked > gatewayEvery && document.visibilityState === "visible") look(state);
}

async function look(state) {
  state.looked = performance.now();
  state.gateway = await get(path("api", "v1", "gateways", state.fan.gateway)).catch(() => state.gateway);
}

function took(seconds) {
  return seconds < 1 ? `${Math.max(1, Math.round(seconds * 1000))} ms` : seconds < 10 ? `${seconds.toFixed(1)} s` : format.span(seconds);
}
