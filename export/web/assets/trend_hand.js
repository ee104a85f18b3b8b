// How one moves in a trend: the cursor under a pointer, finger or arrow key, and
// zooming by drag, pinch or key.

import { enlarged, fit, inks, rule } from "./ink.js";
import { stepAt } from "./trend_data.js";

// handle listens on the stage of a trend. `does` is what it may do: zoom(from,
// to), pan(share), widen(times, at), redraw().
export function handle(parts, state, does) {
  const { stage } = parts;
  const drag = { from: null, to: null, pinch: null, moves: false, fingers: new Map() }; // fingers: pointer id to x
  parts.overlay = () => overlay(parts, state, drag);
  const listeners = {
    pointerdown: (event) => down(event, stage, state, drag, does),
    pointermove: (event) => move(event, state, drag, does),
    pointerup: (event) => up(event, state, drag, does),
    pointercancel: (event) => {
      lift(event, drag);
      letGo(drag, does);
    },
    pointerleave: (event) => leave(event, state, drag, does),
    wheel: (event) => wheel(event, state, does),
    keydown: (event) => key(event, state, drag, does),
  };
  for (const [name, listener] of Object.entries(listeners)) stage.addEventListener(name, listener, { passive: false });
  return { close: () => Object.entries(listeners).forEach(([name, listener]) => stage.removeEventListener(name, listener)) };
}

// across is where on the stage a pointer is, as the picture reckons.
function across(event) {
  return event.offsetX / enlarged();
}

// timeAt is the time under a place on the stage, within what is shown.
function timeAt(state, x) {
  const { left, right } = state.plan, { from, to } = state.shown();
  return from + ((Math.min(Math.max(x, left), right) - left) / (right - left)) * (to - from);
}

function down(event, stage, state, drag, does) {
  if (!state.plan || (event.pointerType === "mouse" && event.button !== 0)) return;
  if (event.pointerType === "touch") drag.fingers.set(event.pointerId, across(event));
  if (drag.fingers.size === 2) {
    const [a, b] = [...drag.fingers.values()];
    drag.pinch = { gap: Math.abs(a - b), middle: timeAt(state, (a + b) / 2), ...state.shown() };
    return;
  }
  state.cursor = timeAt(state, across(event));
  if (event.pointerType !== "touch") {
    stage.setPointerCapture(event.pointerId);
    Object.assign(drag, { from: across(event), to: across(event), moves: event.shiftKey });
  }
  does.redraw();
}

function move(event, state, drag, does) {
  if (!state.plan) return;
  if (drag.fingers.has(event.pointerId)) drag.fingers.set(event.pointerId, across(event));
  if (drag.pinch) return;
  if (drag.from !== null) drag.to = across(event);
  state.cursor = timeAt(state, across(event));
  does.redraw();
}

function up(event, state, drag, does) {
  if (drag.pinch && drag.fingers.size === 2) {
    const [a, b] = [...drag.fingers.values()];
    pinched(drag.pinch, Math.abs(a - b), does);
  }
  lift(event, drag);
  const { from, to, moves } = drag;
  letGo(drag, does);
  if (from === null || Math.abs(to - from) < 6) return;
  if (moves) does.pan((from - to) / (state.plan.right - state.plan.left));
  else does.zoom(timeAt(state, Math.min(from, to)), timeAt(state, Math.max(from, to)));
}

function lift(event, drag) {
  drag.fingers.delete(event.pointerId);
  if (drag.fingers.size === 0) drag.pinch = null;
}

function pinched({ gap, middle, from, to }, now, does) {
  const times = Math.min(Math.max(gap / Math.max(now, 20), 0.1), 10);
  if (Math.abs(times - 1) > 0.08) does.zoom(middle - (middle - from) * times, middle + (to - middle) * times);
}

function letGo(drag, does) {
  drag.from = drag.to = null;
  does.redraw();
}

function leave(event, state, drag, does) {
  if (event.pointerType === "touch" || drag.from !== null) return;
  state.cursor = null;
  does.redraw();
}

// The wheel scrolls the page; with Control, as a pinch on a touch pad sends it, it
// zooms.
function wheel(event, state, does) {
  if (!event.ctrlKey || !state.plan) return;
  event.preventDefault();
  does.widen(event.deltaY > 0 ? 1.25 : 0.8, timeAt(state, across(event)));
}

function key(event, state, drag, does) {
  if (!state.plan || event.altKey || event.metaKey || event.ctrlKey) return;
  const { from, to } = state.shown(), cursor = state.cursor ?? to;
  const by = Math.max((to - from) / 200, Math.min(state.step, (to - from) / 20)) * (event.shiftKey ? 10 : 1);
  const acts = {
    ArrowLeft: () => (state.cursor = Math.max(cursor - by, from)), ArrowRight: () => (state.cursor = Math.min(cursor + by, to)),
    Home: () => (state.cursor = from), End: () => (state.cursor = to),
    PageUp: () => does.pan(-0.5), PageDown: () => does.pan(0.5),
    "+": () => does.widen(0.5), "=": () => does.widen(0.5), "-": () => does.widen(2),
    Escape: () => {
      state.cursor = null;
      letGo(drag, does);
    },
  };
  if (!acts[event.key]) return;
  event.preventDefault();
  acts[event.key]();
  does.redraw();
}

// overlay draws the cursor and what is being dragged over the picture.
function overlay({ over, stage }, state, drag) {
  const at = state.plan;
  if (!at) return;
  const ink = fit(over, state.width, at.height), colours = inks();
  if (drag.from !== null && !drag.moves && Math.abs(drag.to - drag.from) > 3) {
    const [x, end] = [drag.from, drag.to].sort((a, b) => a - b);
    ink.fillStyle = colours.accent;
    ink.globalAlpha = 0.15;
    ink.fillRect(Math.max(x, at.left), at.value.top, Math.min(end, at.right) - Math.max(x, at.left), at.axis - at.value.top);
    ink.globalAlpha = 1;
  }
  if (state.cursor === null) return;
  const x = at.x(state.cursor);
  rule(ink, x, at.value.top, x, at.axis, colours.ink);
  const step = stepAt(state.list, state.cursor, Math.max(state.period, state.step));
  if (!step) return;
  const dot = (extent, y, colour) => {
    if (!extent) return;
    ink.beginPath();
    ink.arc(x, y(extent.mean), 4, 0, 7);
    ink.fillStyle = colour;
    ink.fill();
    ink.strokeStyle = colours.card;
    ink.lineWidth = 1.5;
    ink.stroke();
  };
  dot(step.value, at.axes.value.y, colours.air);
  dot(step.speed, at.axes.speed.y, colours.drive);
}
