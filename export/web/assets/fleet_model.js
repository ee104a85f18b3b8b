// What the fleet page knows of the fans and what it makes of it, without a
// document: the marks as they come, the filters, the orders and the counts.

// Ranks as the marks tell them.
export const rank = { well: 0, unjudged: 1, unanswered: 2, note: 3, ticket: 4, page: 5 };

// fansOf are the fans of a first message of the marks, by their index.
export function fansOf(message) {
  const fans = message.fans.map(([id, name, building, duty], index) => (
    { index, id, name, building, duty, x: null, y: null, rank: rank.unjudged, mode: 0, conditions: [] }));
  apply(fans, message.marks);
  return fans;
}

// apply brings fans up to date and tells which, and whether any of them stands
// differently now than only elsewhere on the plane.
export function apply(fans, marks) {
  const moved = [];
  let changed = false;
  for (const [index, x, y, worst, mode, conditions] of marks) {
    const fan = fans[index];
    if (!fan) continue;
    changed ||= fan.rank !== worst || (fan.x === null) !== (x === null) || (fan.y === null) !== (y === null) ||
      fan.conditions.join() !== conditions.join();
    Object.assign(fan, { x, y, rank: worst, mode, conditions });
    moved.push(fan);
  }
  return { moved, changed };
}

// What a filter is called in the page's address.
export const filters = ["building", "duty", "condition"];

// filterOf reads the filter from an address, addressOf writes it into one.
export function filterOf(query) {
  const filter = { needs: query.get("needs") === "somebody" };
  for (const name of filters) filter[name] = query.get(name) ?? "";
  return filter;
}

export function addressOf(filter) {
  const query = new URLSearchParams();
  for (const name of filters) if (filter[name]) query.set(name, filter[name]);
  if (filter.needs) query.set("needs", "somebody");
  const text = query.toString();
  return text ? `/?${text}` : "/";
}

// filtering reports whether a filter leaves anything out.
export function filtering(filter) {
  return filter.needs || filters.some((name) => filter[name]);
}

// passing makes what says whether a fan passes a filter.
export function passing(filter, site) {
  const building = site.buildings.findIndex((b) => b.id === filter.building);
  const condition = site.conditions.findIndex((c) => c.name === filter.condition);
  return (fan) => (!filter.building || fan.building === building) && (!filter.duty || fan.duty === filter.duty) &&
    (!filter.condition || fan.conditions.includes(condition)) && (!filter.needs || fan.rank >= rank.note);
}

// worstFirst puts fans in the order in which somebody would look at them.
export function worstFirst(fans) {
  return [...fans].sort((a, b) => b.rank - a.rank || a.index - b.index);
}

// countRanks counts fans by their rank.
export function countRanks(fans) {
  const counts = [0, 0, 0, 0, 0, 0];
  for (const fan of fans) counts[fan.rank]++;
  return counts;
}

// countConditions counts the fans that show each condition, by its index.
export function countConditions(fans) {
  const counts = new Map();
  for (const fan of fans) for (const c of fan.conditions) counts.set(c, (counts.get(c) ?? 0) + 1);
  return counts;
}

// standing reports whether an alarm is of something that is so now and that
// nothing else explains.
export function standing(alarm) {
  return (alarm.state === "unacknowledged" || alarm.state === "acknowledged") && !alarm.suppressed_by;
}

// learn brings alarms (a map by id) up to date with a message.
export function learn(alarms, message) {
  if (message.full) alarms.clear();
  for (const alarm of message.alarms) {
    if (alarm.state === "normal" && !alarm.shelf) alarms.delete(alarm.id);
    else alarms.set(alarm.id, alarm);
  }
}

// needy lists what needs somebody: the fans that show a condition, with the
// alarms that tell of it, and the gateways' own alarms. The worst come first, of
// these what nobody has taken on, of these the newest.
export function needy(fans, alarms, filter, site) {
  const byFan = new Map();
  const rows = [];
  for (const alarm of alarms.values()) {
    if (!standing(alarm)) continue;
    if (alarm.fan) byFan.set(alarm.fan, [...(byFan.get(alarm.fan) ?? []), alarm]);
    else if (gatewayPasses(alarm, filter)) rows.push(row(`gateway ${alarm.gateway}`, rank[alarm.severity], null, [alarm]));
  }
  const passes = passing(filter, site);
  for (const fan of fans) {
    if (fan.rank >= rank.note && passes(fan)) rows.push(row(`fan ${fan.id}`, fan.rank, fan, byFan.get(fan.id) ?? []));
  }
  return mergeGateways(rows).sort((a, b) => b.rank - a.rank || a.quiet - b.quiet || b.since - a.since);
}

// mergeGateways makes one row of a gateway's several alarms.
function mergeGateways(rows) {
  const known = new Map();
  for (const one of rows) {
    const first = known.get(one.key);
    if (first) known.set(one.key, row(one.key, Math.max(first.rank, one.rank), null, [...first.alarms, ...one.alarms]));
    else known.set(one.key, one);
  }
  return [...known.values()];
}

function gatewayPasses(alarm, filter) {
  return (!filter.building || alarm.building === filter.building) && !filter.duty &&
    (!filter.condition || alarm.condition === filter.condition);
}

function row(key, worst, fan, alarms) {
  const ordered = [...alarms].sort((a, b) => rank[b.severity] - rank[a.severity]);
  return {
    key, rank: worst, fan, alarms: ordered,
    quiet: ordered.length > 0 && ordered.every((a) => a.acknowledgement || a.shelf || a.out_of_service),
    since: ordered.length ? Math.max(...ordered.map(raisedAt)) : 0,
  };
}

function raisedAt(alarm) {
  return Date.parse(alarm.raised ?? alarm.since);
}

// worstBuildings puts the buildings of a summary in the order in which somebody
// would look at them; those alike stay in the file's.
export function worstBuildings(buildings) {
  const keys = ["page", "gateways_down", "ticket", "note", "unanswered", "unjudged"];
  return [...buildings].sort((a, b) => {
    const key = keys.find((k) => a[k] !== b[k]);
    return key ? b[key] - a[key] : 0;
  });
}

// allWell reports whether nothing of a building wants a look.
export function allWell(building) {
  return building.well === building.fans && building.gateways_down === 0;
}
