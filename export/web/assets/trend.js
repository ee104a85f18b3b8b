// The trend of a fan: what is shown, from when to when, and how one moves in it by
// pointer, touch, keyboard and buttons. It follows the present as long as its
// end is now, with what comes live at its right edge.

import { h, renew, replace, say } from "./dom.js";
import { get, path } from "./api.js";
import { failed } from "./parts.js";
import { live } from "./live.js";
import { enlarged, onTheme } from "./ink.js";
import { draw } from "./trend_draw.js";
import { handle } from "./trend_hand.js";
import { figures, readout } from "./trend_words.js";
import * as data from "./trend_data.js";
import * as format from "./format.js";

const hourLength = 3600e3, shortest = 120e3;
const ranges = [[1, "1 h"], [6, "6 h"], [24, "24 h"], [168, "7 d"], [720, "30 d"]];
const refreshed = 60e3; // ms, at least, between two times that all is asked for anew

// trend shows the trend of a fan, which is polled once in a period (ms), in a
// place; moved is called when another time is shown. It answers { take(fan), know(limits),
// shown() -> {from, to}, tick(), close() }.
export function trend(place, site, fan, period, query, moved) {
  const state = {
    site, fan, period, limits: {}, tolerance: data.toleranceAt(fan), steps: [], came: [], spans: [], acts: [],
    end: format.now(), opened: format.now(), asked: 0, step: 1000, cursor: null, keeps: site.history, moved, width: 0,
  };
  Object.assign(state, viewOf(query, state), { shown: () => shown(state) });
  const parts = build(state);
  replace(place, parts.all);
  const hand = handle(parts, state, { zoom: (from, to) => zoom(state, parts, from, to), redraw: () => point(state, parts), pan: (share) => pan(state, parts, share), widen: (times, at) => widen(state, parts, times, at) });
  const watch = new ResizeObserver(() => resized(state, parts));
  watch.observe(parts.stage);
  const endTheme = onTheme(() => paint(state, parts));
  return {
    shown: () => shown(state),
    take: (fan) => take(state, parts, fan),
    know: (known) => {
      Object.assign(state, known);
      paint(state, parts);
    },
    tick: () => tick(state, parts),
    close: () => {
      watch.disconnect();
      endTheme();
      hand.close();
      state.asking?.abort();
    },
  };
}

// viewOf reads what of the trend is wanted from the query of the page: hours up to
// now, or from and to.
function viewOf(query, { site }) {
  const from = Date.parse(query.get("from")), to = Date.parse(query.get("to"));
  if (to - from >= shortest) return { hours: null, fixed: [from, to] };
  const hours = Number(query.get("hours"));
  return { hours: !site.history ? 1 : hours >= shortest / hourLength && hours <= 24 * 366 ? hours : 24, fixed: null };
}

// shown is the time that is shown.
function shown(state) {
  if (state.fixed) return { from: state.fixed[0], to: state.fixed[1] };
  const hours = state.keeps ? state.hours : Math.min(Math.max((state.end - state.opened) / hourLength, 1 / 6), 1); // what came since
  return { from: state.end - hours * hourLength, to: state.end };
}

function build(state) {
  const parts = {
    base: h("canvas", { "aria-hidden": "true" }), over: h("canvas", { class: "over", "aria-hidden": "true" }),
    caption: h("p", { class: "quiet caption" }), told: h("dl", { class: "told" }), sums: h("div", { class: "sums" }), trouble: h("div", null),
  };
  parts.stage = h("div", { class: "curves", tabindex: "0", role: "slider", "aria-label": "Trend: the time under the cursor", "aria-describedby": "trend-keys" }, parts.base, parts.over);
  parts.choose = ranges.map(([hours, name]) => h("button", { type: "button", "data-hours": hours, onclick: () => choose(state, parts, { hours, fixed: null }) }, name));
  const act = (name, title, does) => h("button", { type: "button", title, onclick: does }, name);
  parts.now = act("Now", "to the present, and follow it", () => choose(state, parts, { hours: (shown(state).to - shown(state).from) / hourLength, fixed: null }));
  parts.later = act("Later", "half of what is shown later", () => pan(state, parts, 0.5));
  parts.controls = h("div", { class: "controls" },
    h("div", { class: "joined", role: "group", "aria-label": "How long" }, parts.choose),
    h("div", { class: "joined", role: "group", "aria-label": "Move" },
      act("Earlier", "half of what is shown earlier", () => pan(state, parts, -0.5)), parts.later, parts.now),
    h("div", { class: "joined", role: "group", "aria-label": "Zoom" },
      act("Closer", "half as long", () => widen(state, parts, 0.5)), act("Wider", "twice as long", () => widen(state, parts, 2))));
  parts.all = [
    state.keeps ? parts.controls : h("p", { class: "empty" }, "No readings are kept, because the fleet file gives the daemon no folder ([store] dir). What comes while this page is open is drawn here, and nothing else."),
    parts.caption, parts.trouble, parts.told, parts.stage,
    h("p", { class: "quiet hints", id: "trend-keys" }, h("span", { class: "mouse" }, "Drag to zoom in, with Shift to move. "), "Keys: arrows move the cursor, + and - zoom, Page Up and Page Down move, Escape lets go."),
    parts.sums,
  ];
  return parts;
}

// choose shows another time, tells the address of the page, and asks for it.
function choose(state, parts, view) {
  performance.mark("trend-asked");
  if (!view.fixed) state.end = format.now();
  Object.assign(state, view, { cursor: null });
  const query = view.fixed ? `?from=${stamp(view.fixed[0])}&to=${stamp(view.fixed[1])}` : `?hours=${Number(view.hours.toFixed(3))}`;
  history.replaceState(history.state, "", location.pathname + query + location.hash);
  paint(state, parts);
  ask(state, parts);
  state.moved();
}

function stamp(time) {
  return new Date(Math.round(time / 1000) * 1000).toISOString().replace(".000", "");
}

// zoom shows from one time to another; where that reaches the present, it
// follows it.
function zoom(state, parts, from, to) {
  if (!state.keeps) return;
  const now = format.now();
  let length = Math.min(Math.max(to - from, shortest), Math.max(state.site.keep_s * 1000, 30 * 24 * hourLength));
  if (to - from < length) [from, to] = [(from + to - length) / 2, (from + to + length) / 2];
  if (to >= now - length * 0.01) choose(state, parts, { hours: length / hourLength, fixed: null });
  else choose(state, parts, { hours: null, fixed: [to - length, to] });
}

function pan(state, parts, share) {
  const { from, to } = shown(state), by = (to - from) * share;
  zoom(state, parts, from + by, to + by);
}

function widen(state, parts, times, around) {
  const { from, to } = shown(state);
  const at = around ?? state.cursor ?? (state.fixed ? (from + to) / 2 : to);
  const end = times > 1 && !state.fixed ? to : at + (to - at) * times;
  zoom(state, parts, end - (to - from) * times, end);
}

// ask asks for the readings and spans of what is shown.
async function ask(state, parts) {
  state.asking?.abort();
  state.asked = performance.now();
  if (!state.keeps || !state.width) return;
  const asking = (state.asking = new AbortController());
  const { from, to } = shown(state);
  const step = data.stepFor(to - from, state.width - 60, state.period);
  const begin = Math.floor(from / 1000 / step) * step; // on its steps, so that they do not shimmer
  const of = path("api", "v1", "fans", state.fan.id), span = `from=${begin}&to=${Math.ceil(to / 1000)}`;
  state.step = step * 1000;
  try {
    const before = { spans: state.spans, acts: state.acts };
    const [trend, spans] = await Promise.all([get(`${of}/history?${span}&step=${step}`, asking.signal),
      !state.site.desk ? before : get(`${of}/spans?${span}`, asking.signal).catch((error) => (error.name === "AbortError" ? Promise.reject(error) : before))]);
    Object.assign(state, { steps: data.steps(trend), spans: spans.spans, acts: spans.acts });
    state.came = state.came.filter((step) => step.to > (state.steps.at(-1)?.to ?? 0));
    replace(parts.trouble);
    paint(state, parts);
    drawn();
  } catch (error) {
    if (error.name !== "AbortError") failed(parts.trouble, error);
  }
}

// drawn notes how long it took from the wish to the picture.
function drawn() {
  performance.mark("trend-drawn");
  if (performance.getEntriesByName("trend-asked").length) performance.measure("trend", "trend-asked", "trend-drawn");
  performance.clearMarks("trend-asked");
}

// take takes how the fan is now, as it came live.
function take(state, parts, fan) {
  const before = state.fan;
  state.fan = fan;
  state.tolerance = data.toleranceAt(fan);
  if (fan.polled && fan.polled !== before.polled) {
    const step = data.stepOf(fan, state.period);
    if (step) state.came = [...state.came.slice(-2000), step];
  }
  if (standing(before) !== standing(fan) && state.asked) ask(state, parts);
  advance(state, parts);
}

function standing(fan) {
  return JSON.stringify([fan.conditions.map((c) => [c.condition, c.since]), fan.alarms?.map((a) => [a.state, a.shelf]), fan.out_of_service]);
}

// tick is called every second: the present goes on, as long as the daemon is
// heard.
function tick(state, parts) {
  if (!live()) state.lost = true;
  if (state.fixed || !live()) return;
  if (state.lost) { // what was missed is asked for
    state.lost = false;
    ask(state, parts);
  }
  const { from, to } = shown(state);
  if (format.now() - to >= (to - from) / Math.max(state.width, 1)) advance(state, parts);
  if (state.keeps && performance.now() - state.asked > Math.max(state.step, refreshed)) ask(state, parts);
}

function advance(state, parts) {
  if (!state.fixed && live()) state.end = format.now();
  paint(state, parts);
}

function resized(state, parts) {
  const width = Math.floor(parts.stage.clientWidth / enlarged());
  if (width === state.width || width < 50) return;
  const first = !state.width || Math.abs(width - state.width) > 100;
  state.width = width;
  paint(state, parts);
  if (first) {
    performance.mark("trend-asked");
    ask(state, parts);
  }
}

// paint draws all of it as it is now.
function paint(state, parts) {
  if (!state.width) return;
  const { from, to } = shown(state);
  const seen = data.append(state.steps, state.fixed ? [] : state.came).filter((step) => step.to > from && step.from < to);
  const list = data.filled(seen, state.fan);
  state.list = list;
  state.lanes = data.lanes(state.spans, from, Math.min(to, format.now()));
  const acts = state.acts.filter((act) => Date.parse(act.time) >= from && Date.parse(act.time) <= to);
  state.plan = draw(parts.base, { width: state.width, from, to, list, period: state.period, fan: state.fan, tolerance: state.tolerance,
    limits: state.limits, lanes: state.lanes, acts, zone: state.site.zone,
    nothing: state.keeps ? undefined : "not seen by this page" });
  for (const button of parts.choose) button.setAttribute("aria-pressed", String(!state.fixed && Number(button.dataset.hours) === state.hours));
  parts.now.setAttribute("aria-pressed", String(!state.fixed));
  parts.later.disabled = !state.fixed;
  say(parts.caption, caption(state, from, to));
  const is = [list.length, list[0]?.from, list.at(-1)?.to, acts.length, state.step].join();
  if (parts.sums.is !== is) replace(parts.sums, figures(list, state, acts)).is = is;
  point(state, parts);
}

function caption(state, from, to) {
  const end = state.fixed ? format.clock(to) : `now, ${format.hour(to)}`;
  const fine = state.step > state.period * 1.5 ? ` · each step of ${format.span(state.step / 1000)} shows its lowest, mean and highest reading` : "";
  return `${format.clock(from)} to ${end} · ${format.zoneShort(to)}${fine}`;
}

// point shows what lies under the cursor, or the latest where it is nowhere.
function point(state, parts) {
  const { from, to } = shown(state);
  if (state.cursor !== null && (state.cursor < from || state.cursor > to)) state.cursor = null;
  const words = readout(state);
  renew(parts.told, words.map(([name, text, wide]) => h("div", { class: wide ? "wide" : null }, h("dt", null, name), h("dd", null, text))));
  parts.stage.setAttribute("aria-valuemin", Math.round(from / 1000));
  parts.stage.setAttribute("aria-valuemax", Math.round(to / 1000));
  parts.stage.setAttribute("aria-valuenow", Math.round((state.cursor ?? to) / 1000));
  parts.stage.setAttribute("aria-valuetext", words.map(([name, text]) => `${name} ${text}`).join(", "));
  parts.overlay();
}
