// How numbers and times are written: in the site's units and zone, as the
// daemon's own messages write them. The site says which, so that the two agree.

let units = {};
let siteZone = "UTC";
let clockOf, dayOf, bothOf, dayKey;
let ahead = 0; // ms by which the daemon's clock is ahead of this browser's

// setSite takes the units and the zone of /api/v1/site.
export function setSite(site) {
  units = site.units;
  siteZone = site.zone;
  const zone = { timeZone: site.zone };
  const locale = "en-GB"; // the words of the page are English; 24 hours, no doubt about noon
  clockOf = new Intl.DateTimeFormat(locale, { ...zone, hour: "2-digit", minute: "2-digit" });
  dayOf = new Intl.DateTimeFormat(locale, { ...zone, weekday: "short", day: "numeric", month: "short" });
  bothOf = new Intl.DateTimeFormat(locale, { ...zone, dateStyle: "full", timeStyle: "long" });
  dayKey = new Intl.DateTimeFormat("sv-SE", zone); // 2026-01-05
}

// zone is the name of the site's time zone, zoneShort what people call it at a
// time: "CST", "GMT+7".
export function zone() {
  return siteZone;
}

export function zoneShort(time) {
  const parts = new Intl.DateTimeFormat("en-US", { timeZone: siteZone, timeZoneName: "short" }).formatToParts(new Date(time));
  return parts.find((part) => part.type === "timeZoneName").value;
}

// setNow tells the daemon's time, from which all ages are counted.
export function setNow(time) {
  ahead = Date.parse(time) - Date.now();
}

// now is the daemon's time, in ms since 1970.
export function now() {
  return Date.now() + ahead;
}

// number is a value of a dimension without its unit, as "-0.120".
export function number(base, dimension) {
  const unit = units[dimension];
  if (!unit) return String(Number(base.toPrecision(7)));
  const text = ((base - unit.offset) / unit.factor).toFixed(unit.decimals);
  return Number(text) === 0 ? text.replace("-", "") : text; // never "-0.000"
}

// unitOf is the unit in which a dimension is shown, "" for a plain number.
export function unitOf(dimension) {
  return units[dimension]?.unit ?? "";
}

// shown turns a base value into the number that is shown, for axes.
export function shown(base, dimension) {
  const unit = units[dimension];
  return unit ? (base - unit.offset) / unit.factor : base;
}

// based is the opposite of shown.
export function based(value, dimension) {
  const unit = units[dimension];
  return unit ? value * unit.factor + unit.offset : value;
}

// quantity writes a value with its unit, as "-0.120 inH2O"; a time as "22 min".
export function quantity(base, dimension) {
  if (dimension === "time") return span(base);
  const unit = unitOf(dimension);
  return unit ? `${number(base, dimension)} ${unit}` : number(base, dimension);
}

// held is the dimension of what a fan's controller holds: `controls` is as the
// API says it.
export function held(controls) {
  return controls === "airflow" ? "flow" : "pressure";
}

// ratio writes a ratio in percent.
export function ratio(value) {
  return quantity(value, "ratio");
}

// span writes a length of time in seconds, in its two largest parts.
export function span(seconds) {
  const all = Math.round(Math.abs(seconds));
  const sign = seconds < 0 && all > 0 ? "-" : "";
  if (all < 120) return `${sign}${all} s`;
  if (all < 7200) return `${sign}${Math.floor(all / 60)} min`;
  if (all < 2 * 86400) return sign + pair(Math.floor(all / 3600), "h", Math.floor((all % 3600) / 60), "min");
  return sign + pair(Math.floor(all / 86400), "d", Math.floor((all % 86400) / 3600), "h");
}

function pair(large, largeUnit, small, smallUnit) {
  return small ? `${large} ${largeUnit} ${small} ${smallUnit}` : `${large} ${largeUnit}`;
}

// age is how many seconds ago a time was; clocks that run apart never make it
// negative.
export function age(time) {
  return Math.max(0, (now() - Date.parse(time)) / 1000);
}

// ago writes how long ago a time was.
export function ago(time) {
  return `${span(age(time))} ago`;
}

// clock writes a time as people on site read it: with the day if it is not
// today.
export function clock(time) {
  const at = new Date(time);
  return dayKey.format(at) === dayKey.format(now()) ? clockOf.format(at) : `${dayOf.format(at)} ${clockOf.format(at)}`;
}

// hour writes only the hour and minute, day only the day.
export function hour(time) {
  return clockOf.format(new Date(time));
}

export function day(time) {
  return dayOf.format(new Date(time));
}

// exact writes a time in full, with its zone, for titles.
export function exact(time) {
  return bothOf.format(new Date(time));
}

// dayOfSite is a time's date on site, as "2026-01-05".
export function dayOfSite(time) {
  return dayKey.format(new Date(time));
}

// words makes a name of the files readable: "pinned_at_max" is "pinned at max".
export function words(name) {
  return String(name).replaceAll("_", " ");
}

// counted writes a number with what it counts: "1 fan", "2 fans".
export function counted(n, one, many = one + "s") {
  return `${n} ${n === 1 ? one : many}`;
}

// What the ending of a figure's name says of its dimension; those with an
// underscore are units and no part of what it is called. The list is the one of
// rules/condition/number.go, and a test holds the two together.
const endings = [
  ["_pa", "pressure"], ["_m3s", "flow"], ["_w", "power"], ["_s", "time"], ["_c", "temperature"],
  ["_ratio", "ratio"], ["rpm", "rotation"],
  ["speed", "ratio"], ["speed_at", "ratio"], ["_off_at", "ratio"], ["_below", "ratio"],
];

// figure writes a number of a condition's evidence: what it is called, and its
// value in the site's units.
export function figure(name, value) {
  if (name.endsWith("_contact")) return [words(name), value ? "closed" : "open"];
  if (name === "proof" || name === "fault") return [words(name), value ? "on" : "off"];
  const found = endings.find(([end]) => name.endsWith(end));
  if (!found) return [words(name), quantity(value, "")];
  const [end, dimension] = found;
  const whole = !end.startsWith("_") || end.endsWith("_at") || end === "_below";
  return [words(whole ? name : name.slice(0, -end.length)), quantity(value, dimension)];
}
