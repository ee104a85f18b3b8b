// What a trend is made of: the steps of a fan's history, where they have gaps,
// and what they come to. Nothing here draws or asks; times are ms since 1970.

// A step covers the time from its start to its end:
//   { from, to, readings, value, speed: { min, max, mean } | null,
//     setpoint: number | null, contact: share closed | null, modes, outcomes: shares by name }

// steps reads those of an answer of history.
export function steps(answer) {
  const length = answer.step_s * 1000, end = Date.parse(answer.to);
  return answer.steps.map((step) => {
    const from = Date.parse(step.start);
    return { from, to: Math.min(from + length, end), readings: step.readings, value: step.value, speed: step.speed,
      setpoint: step.setpoint, contact: step.high_speed, modes: step.modes, outcomes: step.outcomes };
  });
}

// stepOf makes a step of one reading of a fan that came live, or null where
// nothing was read. Its period is in ms.
export function stepOf(fan, period) {
  const at = fan.polled && Date.parse(fan.polled);
  if (!at) return null;
  const fresh = fan.outcome === "ok" && fan.read === fan.polled;
  const alone = (value) => (fresh && value !== undefined ? { min: value, max: value, mean: value } : null);
  const contact = fresh ? fan.values.high_speed : undefined;
  return { from: at - period, to: at, readings: 1, live: true, value: alone(controlledOf(fan)), speed: alone(fan.values.speed),
    setpoint: fresh ? setpointOf(fan) : null, contact: contact === undefined ? null : Number(contact),
    modes: { [fan.mode]: 1 }, outcomes: { [fan.outcome]: 1 } };
}

// controlledOf is what a fan's controller holds, as far as it is fresh, and
// setpointOf what it should be; both in base units.
export function controlledOf(fan) {
  return fan.controls === "airflow" ? fan.values.airflow_m3s : fan.values.pressure_pa;
}

export function setpointOf(fan) {
  return fan.setpoint_pa ?? fan.setpoint_m3s ?? null;
}

// toleranceAt tells how far the value may be from a setpoint that stood earlier:
// 15 % of it or, if that is more, what does not depend on it, which follows from
// the fan's tolerance now.
export function toleranceAt(fan) {
  const now = fan.tolerance_pa ?? fan.tolerance_m3s, setpoint = Math.abs(setpointOf(fan) ?? 0);
  const fixed = now > 0.15 * setpoint * (1 + 1e-6) ? now : fan.controls === "airflow" ? 0 : 5;
  return (earlier) => Math.max(0.15 * Math.abs(earlier), fixed);
}

// filled gives steps in which something was read the setpoint of the fleet file
// where the controller tells none.
export function filled(list, fan) {
  if (fan.setpoint_from !== "fleet_file") return list;
  const setpoint = setpointOf(fan);
  return list.map((step) => (step.setpoint === null && step.value ? { ...step, setpoint } : step));
}

// append puts what came live behind what was asked for, as far as it is later;
// what no longer is, is of no use.
export function append(kept, came) {
  const end = kept.at(-1)?.to ?? -Infinity;
  return [...kept, ...came.filter((step) => step.to > end + 1)];
}

// gaps are the times from start to end in which there is no value, each for what
// it is: `nothing` was recorded at all, `failed` with the outcome of most reads,
// or `unusable` where the reads went well and brought no value. Steps that are
// finer than the period of polling lack readings and are no gap.
export function gaps(list, start, end, period) {
  const found = [];
  const missing = (from, to, least) => {
    if (to - from > least) found.push({ kind: "nothing", from, to });
  };
  let last = start;
  for (const step of list) {
    missing(last, step.from, 1.5 * period);
    last = Math.max(last, step.to);
    if (!step.value) lacks(found, step, period);
  }
  missing(last, end, 2.5 * period); // the next reading is still to come
  return found;
}

function lacks(found, step, period) {
  const outcome = most(step.outcomes);
  const kind = outcome && outcome !== "ok" ? "failed" : "unusable";
  const before = found.at(-1);
  if (before?.kind === kind && before.outcome === outcome && step.from - before.to <= 1.5 * period) before.to = step.to;
  else found.push({ kind, outcome, from: step.from, to: step.to });
}

// most is the name with the largest share.
export function most(shares) {
  return Object.entries(shares).reduce((best, one) => (one[1] > (best?.[1] ?? 0) ? one : best), null)?.[0] ?? null;
}

// runs are the steps in which a value is known without a break, as [first, last]
// places in the list: no line may be drawn from one run to the next.
export function runs(list, of, period) {
  const found = [];
  let first = -1;
  list.forEach((step, i) => {
    const goes = first >= 0 && of(step) !== null && step.from - list[i - 1].to <= 1.5 * period;
    if (first >= 0 && !goes) {
      found.push([first, i - 1]);
      first = -1;
    }
    if (first < 0 && of(step) !== null) first = i;
  });
  if (first >= 0) found.push([first, list.length - 1]);
  return found;
}

// stays are the times in which one mode was the most of each step, for its word.
export function stays(list, period) {
  const found = [];
  for (const step of list) {
    const mode = most(step.modes), before = found.at(-1);
    if (mode === null) continue;
    if (before?.mode === mode && step.from - before.to <= 1.5 * period) before.to = step.to;
    else found.push({ mode, from: step.from, to: step.to });
  }
  return found;
}

// stepAt is the step that covers a time or, within the slack, the nearest; null
// where there is none.
export function stepAt(list, time, slack) {
  let low = 0, high = list.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (list[middle].to <= time) low = middle + 1;
    else high = middle;
  }
  const near = [list[low - 1], list[low]].filter(Boolean);
  const off = (step) => Math.max(step.from - time, time - step.to, 0);
  const best = near.reduce((a, b) => (a && off(a) <= off(b) ? a : b), null);
  return best && off(best) <= slack ? best : null;
}

// reach is how far a value went in the steps, from its least to its greatest and
// when, and its mean over all readings; null where it is known nowhere.
export function reach(list, of) {
  let found = null, weight = 0, sum = 0;
  for (const step of list) {
    const extent = of(step);
    if (!extent) continue;
    found ??= { low: extent.min, lowAt: step.from, high: extent.max, highAt: step.from };
    if (extent.min < found.low) [found.low, found.lowAt] = [extent.min, step.from];
    if (extent.max > found.high) [found.high, found.highAt] = [extent.max, step.from];
    weight += step.readings;
    sum += extent.mean * step.readings;
  }
  return found && { ...found, mean: sum / weight };
}

// tally adds up what the steps tell: readings, those that failed by outcome, and
// seconds in each mode and with the contact closed or open.
export function tally(list) {
  const sum = { readings: 0, outcomes: {}, modes: {}, closed: 0, open: 0 };
  for (const step of list) {
    const length = (step.to - step.from) / 1000;
    sum.readings += step.readings;
    for (const [name, share] of Object.entries(step.outcomes)) add(sum.outcomes, name, share * step.readings);
    for (const [name, share] of Object.entries(step.modes)) add(sum.modes, name, share * length);
    if (step.contact === null) continue;
    sum.closed += step.contact * length;
    sum.open += (1 - step.contact) * length;
  }
  for (const name of Object.keys(sum.outcomes)) sum.outcomes[name] = Math.max(1, Math.round(sum.outcomes[name]));
  return sum;
}

function add(sums, name, more) {
  sums[name] = (sums[name] ?? 0) + more;
}

// lanes lays the spans of conditions out, one lane a condition, the gravest
// first and else the earliest: { condition, severity, spans, stood (s), stands }.
export function lanes(spans, from, to) {
  const by = new Map();
  for (const span of spans) {
    const begin = Math.max(Date.parse(span.from), from), end = Math.min(span.to ? Date.parse(span.to) : to, to);
    if (end < from || begin > to) continue;
    const lane = by.get(span.condition) ?? { condition: span.condition, severity: span.severity, spans: [], stood: 0, stands: false };
    by.set(span.condition, lane);
    if (grave(span.severity) > grave(lane.severity)) lane.severity = span.severity;
    lane.spans.push({ ...span, begin, end, goesOn: !span.to, cameBefore: Date.parse(span.from) < from });
    lane.stood += (end - begin) / 1000;
    lane.stands ||= !span.to;
  }
  return [...by.values()].sort((a, b) => grave(b.severity) - grave(a.severity) || a.spans[0].begin - b.spans[0].begin);
}

function grave(severity) {
  return ["note", "ticket", "page"].indexOf(severity);
}

// stepFor is the step to ask for, in whole seconds: about one for one and a half
// pixels, at most a thousand, and none finer than the period of polling, which
// would only show its gaps. Times in ms.
export function stepFor(length, pixels, period) {
  const wanted = Math.max(length / Math.min(pixels / 1.5, 999), Math.min(period, length / 4), 1000);
  return Math.ceil(wanted / 1000);
}
