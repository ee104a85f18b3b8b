// The keys of the list of alarms. Those of one letter work only while the list
// has the focus, apart from two that can be switched off: who speaks to a
// computer must not set off anything by a word.

import { h } from "./dom.js";
import { unknown } from "./alarms_model.js";

const kept = "keys"; // in the browser's store: "off"

// keysOf is the listener for keys within the list: `place` is where one is in it.
export function keysOf(list, place) {
  return (event) => {
    const line = place.lineOf(event.target);
    if (!line || event.ctrlKey || event.metaKey || event.altKey) return;
    const does = moving(place, line)[event.key] ?? doing(list, place, line)[event.key];
    if (!does) return;
    event.preventDefault();
    event.stopPropagation();
    does();
  };
}

function moving(place, line) {
  return {
    ArrowDown: () => place.move(line, 1), j: () => place.move(line, 1), ArrowUp: () => place.move(line, -1), k: () => place.move(line, -1),
    Home: () => place.end(false), End: () => place.end(true),
  };
}

function doing(list, place, line) {
  const close = () => {
    if (list.opened(line.key)) list.toggle(line.key);
    place.focus(line);
  };
  if (list.may === "read") return { Escape: close };
  return { Escape: close, ...(line.alarms ? withAll(list, line) : withOne(list, line.alarm)) };
}

function withOne(list, alarm) {
  return {
    a: () => unknown(alarm) && list.act("acknowledge", alarm, true),
    A: () => unknown(alarm) && list.act("acknowledge", alarm),
    s: () => list.act(alarm.shelf ? "unshelve" : "shelve", alarm),
    x: () => list.choose([alarm.id], !list.chosen.has(alarm.id)),
  };
}

// withAll is for what went wrong together: it always asks first.
function withAll(list, { alarms, left }) {
  const all = () => left.length > 0 && list.acknowledgeAll(left);
  const ids = alarms.map((alarm) => alarm.id);
  return { a: all, A: all, x: () => list.choose(ids, !ids.every((id) => list.chosen.has(id))) };
}

// pageKeys listens to the whole page, until what it returns is called.
export function pageKeys({ search, help, enter }) {
  const listen = (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || document.querySelector("dialog[open]")) return;
    if (event.target.closest?.("input:not([type=checkbox]), select, textarea") || off()) return;
    const does = { "/": search, "?": help, j: enter, k: enter }[event.key];
    if (!does) return;
    event.preventDefault();
    does();
  };
  document.addEventListener("keydown", listen);
  return () => document.removeEventListener("keydown", listen);
}

function off() {
  try {
    return localStorage.getItem(kept) === "off";
  } catch {
    return false; // a browser that keeps nothing
  }
}

function switchTo(on) {
  try {
    on ? localStorage.removeItem(kept) : localStorage.setItem(kept, "off");
  } catch {
    // it holds for no longer than this
  }
}

const lines = [
  [["↓", "j"], "next alarm"], [["↑", "k"], "previous alarm"], [["Home", "End"], "first, last"],
  [["Enter"], "open or close it"], [["Esc"], "close it"], [["a"], "acknowledge at once"], [["Shift A"], "acknowledge with a note"],
  [["s"], "shelve, or take back from the shelf"], [["x"], "select it"],
];

const everywhere = [[["/"], "search"], [["?"], "this help"], [["j", "k"], "into the list"]];

// helpDialog shows the keys.
export function helpDialog() {
  const dialog = h("dialog", { class: "help", "aria-labelledby": "keys-title", onclose: () => dialog.remove() },
    h("h2", { id: "keys-title" }, "Keys of this page"),
    h("p", { class: "quiet" }, "In the list:"), table(lines),
    h("p", { class: "quiet" }, "On the whole page:"), table(everywhere),
    h("label", { class: "switch" }, h("input", { type: "checkbox", checked: !off(), onchange: (event) => switchTo(event.target.checked) }), " The keys for the whole page are on"),
    h("p", { class: "buttons" }, h("button", { type: "button", class: "main", autofocus: true, onclick: () => dialog.close() }, "Close")));
  document.body.append(dialog);
  dialog.showModal();
}

function table(all) {
  return h("dl", { class: "keys" }, all.map(([keys, what]) => h("div", null, h("dt", null, keys.map((key) => [h("kbd", null, key), " "])), h("dd", null, what))));
}
