// The fans of a building in one table: rows are brought up to date in place, and
// their order holds still while somebody is at them.

import { h, keyed, replace, say } from "./dom.js";
import * as format from "./format.js";
import { fanLink, mark, ranks, rankWords, tag, when } from "./parts.js";
import { spark } from "./spark.js";

// What a row can be ordered by: its number, larger first unless turned round.
// What is not known comes last either way.
const numbers = {
  state: (fan) => fan.rank,
  value: (fan) => distance(fan),
  speed: (fan) => fan.values.speed ?? null,
  age: (fan) => (fan.last_good ? -Date.parse(fan.last_good) : Infinity),
};

// valueOf is the fresh value of what a fan's controller holds, or null.
export function valueOf(fan) {
  return (fan.controls === "airflow" ? fan.values.airflow_m3s : fan.values.pressure_pa) ?? null;
}

// distance is how far a fan is from its setpoint, as a share of it, or null.
export function distance(fan) {
  const value = valueOf(fan);
  return value === null || !fan.setpoint ? null : Math.abs(value / fan.setpoint - 1);
}

const collator = new Intl.Collator("en", { numeric: true });
const byName = (a, b) => collator.compare(a.name || a.id, b.name || b.id);

// ordered are the fans by one of the columns; `turned` is the way round that is
// not usual. Those that are alike come by name.
export function ordered(fans, by, turned) {
  const way = turned ? -1 : 1;
  if (by === "fan") return [...fans].sort((a, b) => way * byName(a, b));
  const number = numbers[by];
  return [...fans].sort((a, b) => {
    const x = number(a), y = number(b);
    if (x === y) return byName(a, b);
    if (x === null || y === null) return x === null ? 1 : -1;
    return way * (y - x > 0 ? 1 : -1);
  });
}

// doing says in words what a fan does, or why that is not known.
export function doing(fan) {
  if (fan.up === null) return "not polled yet";
  if (!fan.up) return `no answer: ${format.words(fan.outcome)}`;
  if (fan.outcome === "invalid") return "values marked invalid";
  if (fan.outcome === "exception") return "refuses to answer";
  return format.words(fan.mode);
}

// place says where a fan is and what hangs on it.
export function place(fan) {
  const member = fan.group && (fan.role ? `${fan.role} of ${fan.group}` : `in ${fan.group}`);
  return [fan.id, fan.location, fan.serves, member].filter((part) => part && part !== fan.name).join(" · ");
}

const columns = [
  ["fan", "Fan"], ["state", "State"], ["value", "Held, against setpoint"], ["speed", "Speed"], [null, "Last 24 h"], ["age", "Last good reading"],
];

// What the headers say on a phone, where they stand in one line above the cards.
const shortly = { fan: "name", state: "worst", value: "off setpoint", speed: "speed", age: "age" };

// fanTable makes the table. `show(rows)` takes rows by id, all of them or those
// that changed; `trends(answer)` the small trends; `tick()` writes the ages anew.
export function fanTable(trendsKept) {
  const shown = columns.filter(([, title]) => trendsKept || title !== "Last 24 h");
  let by = "state", turned = false;
  let fans = new Map();
  let trends = null;
  const heads = shown.map(([key, title]) => headOf(key, title, () => {
    turned = by === key && !turned;
    by = key;
    arrange(true);
  }));
  const body = h("tbody", { role: "rowgroup" });
  const table = h("table", { class: "folds fans", role: "table", "aria-label": "Fans" },
    h("thead", { role: "rowgroup" }, h("tr", { role: "row" }, heads)), body);

  // Somebody is at the rows: then they keep their places.
  let touched = -Infinity;
  const touch = () => (touched = performance.now());
  for (const event of ["pointermove", "pointerdown", "focusin"]) body.addEventListener(event, touch, { passive: true });
  const busy = () => body.contains(document.activeElement) || performance.now() - touched < 4000;

  function arrange(now) {
    for (const head of heads) showWay(head, by, turned);
    if (!now && busy()) {
      for (const row of body.children) if (fans.has(row.key)) updateRow(row, fans.get(row.key), trends);
      return;
    }
    keyed(body, ordered(fans.values(), by, turned), (fan) => fan.id, () => makeRow(trendsKept), (row, fan) => updateRow(row, fan, trends));
  }

  return {
    table,
    show(rows, full) {
      const known = fans;
      if (full) fans = new Map();
      for (const fan of rows) fans.set(fan.id, fan);
      arrange(known.size === 0 || (full && known.size !== fans.size));
    },
    trends(answer) {
      trends = answer;
      arrange(false);
    },
    tick() {
      for (const row of body.children) tick(row);
    },
    fans: () => [...fans.values()],
  };
}

function headOf(key, title, sort) {
  if (!key) return h("th", { scope: "col", role: "columnheader" }, title);
  const head = h("th", { scope: "col", role: "columnheader" },
    h("button", { type: "button", class: "sort", onclick: sort }, h("span", { class: "long" }, title), h("span", { class: "short", "aria-hidden": "true" }, shortly[key])));
  head.column = key;
  return head;
}

// showWay marks the column that the rows are ordered by.
function showWay(head, by, turned) {
  if (!head.column) return;
  if (head.column !== by) return head.removeAttribute("aria-sort");
  const down = (by !== "fan") !== turned;
  head.setAttribute("aria-sort", down ? "descending" : "ascending");
}

function makeRow(trendsKept) {
  const part = {
    sign: h("span"), name: h("span"), place: h("small"), doing: h("span", { class: "doing" }), tags: h("span", { class: "tags" }), out: h("small", { hidden: true }),
    value: h("b"), want: h("small"), bar: h("span", { class: "turn", "aria-hidden": "true" }, h("i")), speed: h("b"),
    trend: trendsKept && h("td", { role: "cell", class: "trend wide", "data-is": "Last 24 h" }), age: h("span"),
  };
  const cell = (title, ...kids) => h("td", { role: "cell", "data-is": title }, kids);
  const row = h("tr", { role: "row" },
    h("th", { scope: "row", role: "rowheader" }, h("span", { class: "named" }, part.sign, part.name), part.place),
    h("td", { role: "cell", class: "wide state" }, part.doing, part.tags, part.out),
    cell("Held, against setpoint", part.value, part.want), cell("Speed", part.speed, part.bar),
    part.trend, cell("Last good reading", part.age));
  row.pieces = part;
  return row;
}

function updateRow(row, fan, trends) {
  if (row.fan !== fan) showFan(row, fan);
  if (trends && row.trends !== trends && row.pieces.trend) {
    row.trends = trends;
    const own = trends.fans[fan.id];
    replace(row.pieces.trend, own ? spark(own, fan, trends.step_s) : h("span", { class: "quiet" }, "nothing kept yet"));
  }
}

function showFan(row, fan) {
  const { pieces: part } = row;
  row.fan = fan;
  row.dataset.rank = ranks[fan.rank];
  row.dataset.fan = fan.id;
  once(row, "named", `${fan.rank} ${fan.name}`, () => {
    replace(part.sign, mark(ranks[fan.rank], rankWords[ranks[fan.rank]]));
    replace(part.name, fanLink(fan.id, fan.name));
  });
  say(part.place, place(fan));
  say(part.doing, doing(fan));
  once(row, "tags", JSON.stringify([fan.conditions.map((c) => [c.severity, c.condition]), fan.suppressed.map((c) => [c.condition, c.silenced_by])]),
    () => replace(part.tags, fan.conditions.map((c) => tag(c.severity, c.condition)), fan.suppressed.map(explained)));
  part.out.hidden = !fan.out_of_service;
  if (fan.out_of_service) say(part.out, `out of service since ${format.clock(fan.out_of_service.time)} by ${fan.out_of_service.who}: ${fan.out_of_service.why}`);
  showNumbers(part, fan);
  tick(row);
}

function showNumbers(part, fan) {
  const dimension = format.held(fan.controls), value = valueOf(fan), speed = fan.values.speed ?? null;
  say(part.value, value === null ? "–" : format.quantity(value, dimension));
  say(part.want, fan.setpoint === null || fan.setpoint === undefined ? "no setpoint known" : `to hold ${format.number(fan.setpoint, dimension)}`);
  say(part.speed, speed === null ? "–" : format.ratio(speed));
  part.bar.hidden = speed === null;
  part.bar.firstChild.style.width = `${100 * Math.min(1, Math.max(0, speed ?? 0))}%`;
}

// explained is a condition that another one explains, in small.
function explained(c) {
  return h("small", { class: "explained" }, `${format.words(c.condition)}, explained by ${format.words(c.silenced_by)}`);
}

// once does something only where what it depends on has changed.
function once(row, name, text, act) {
  if (row[name] === text) return;
  row[name] = text;
  act();
}

function tick({ fan, pieces: part }) {
  if (!fan.last_good) return say(part.age, "never read");
  if (part.time !== fan.last_good) {
    part.time = fan.last_good;
    replace(part.age, when(fan.last_good, ""));
  }
  say(part.age.firstChild, format.ago(fan.last_good));
}
