// The one stream of events that a page follows, and whether it is alive. What
// looks live and is not would be the worst fault of this page: the daemon sends a
// beat every two seconds, and without one for a few the page says so at once.

import { h, replace, say } from "./dom.js";
import { address } from "./api.js";
import * as format from "./format.js";

const deadAfter = 6000; // ms without a beat: three of them
const retryAfter = 3000; // ms until a stream that was refused is tried again

let source = null; // the EventSource that is open
let wanted = []; // its topics
let handlers = {}; // by event
let heard = performance.now(); // when the last beat came
let beat = null; // the last one
let retry = 0;
let opened = false; // a beat has come at all

// Always followed: what the frame of the page shows.
const frame = {};

// always adds a handler that stays through every view, as of the summary.
export function always(event, handler) {
  frame[event] = handler;
}

// follow opens a stream of topics and hands what comes to the handlers by event.
// It ends the one before. The function that it returns ends it again.
export function follow(topics, by) {
  wanted = topics;
  handlers = by;
  connectSoon();
  return () => {
    if (handlers !== by) return;
    wanted = [];
    handlers = {};
    connectSoon();
  };
}

// connectSoon waits for the next view to say what it wants, so that a change of
// views opens one stream.
let soon = false;
function connectSoon() {
  if (soon) return;
  soon = true;
  queueMicrotask(() => {
    soon = false;
    connect();
  });
}

function connect() {
  clearTimeout(retry);
  source?.close();
  const query = new URLSearchParams();
  for (const topic of ["summary", ...wanted]) query.append("topic", topic);
  const own = new EventSource(address(`/api/v1/events?${query}`));
  source = own;
  for (const event of ["beat", "summary", "alarms", "marks", "building", "fan", "gone"]) {
    own.addEventListener(event, (message) => {
      if (own === source) take(event, JSON.parse(message.data));
    });
  }
  own.onerror = () => {
    if (own !== source || own.readyState !== EventSource.CLOSED) return; // it tries again by itself
    clearTimeout(retry);
    retry = setTimeout(connect, retryAfter);
  };
}

function take(event, data) {
  if (event === "beat") {
    heard = performance.now();
    opened = true;
    beat = data;
    format.setNow(data.time);
    show();
  }
  frame[event]?.(data);
  handlers[event]?.(data);
}

// live reports whether beats come.
export function live() {
  return opened && performance.now() - heard < deadAfter;
}

// watch shows the state of the stream in the status line and, where it is lost,
// in a banner, once a second and whenever the page is looked at again.
let line, banner;
export function watch(statusLine, lostBanner) {
  line = statusLine;
  banner = lostBanner;
  setInterval(show, 1000);
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState !== "visible") return;
    if (!live()) connect();
    show();
  });
  addEventListener("online", connect);
  addEventListener("offline", () => {
    heard = -Infinity;
    show();
  });
}

function show() {
  if (!line) return;
  const alive = live();
  const state = !opened && performance.now() - heard < deadAfter ? "waiting" : alive ? (beat.ready ? "live" : "starting") : "lost";
  document.documentElement.dataset.live = state;
  say(line, sentence(state));
  const lost = state === "lost";
  if (banner.hidden === lost) {
    banner.hidden = !lost;
    if (lost) replace(banner, h("strong", null, "Not live. "), h("span", null, lostSince()), " Look at the fans themselves or ask again; nothing on this page changes until the daemon answers.");
  } else if (lost) {
    say(banner.children[1], lostSince());
  }
}

function sentence(state) {
  switch (state) {
    case "waiting":
      return "Connecting";
    case "lost":
      return "Not live";
    case "starting":
      return "Live · the first round of readings is under way";
  }
  return beat.newest ? `Live · newest reading ${format.ago(beat.newest)}` : "Live · nothing has been read yet";
}

function lostSince() {
  if (!beat) return "The daemon does not answer.";
  const silent = format.span((performance.now() - Math.max(heard, 0)) / 1000);
  return `The daemon was last heard ${silent === "0 s" ? "just now" : silent + " ago"}; what you see is as of ${format.clock(beat.time)}.`;
}
