// The keys of the list of alarms. Those of one letter work only while the list
// has the focus, apart from two that can be switched off: who speaks to a
// computer must not set off anything by a word.

import { h } from "./dom.js";

const kept = "keys"; // in the browser's store: "off"

// keysOf is the listener for keys within the list.
export function keysOf({ move, first, last, act, choose, close, may }) {
  return (event) => {
    const row = event.target.closest(".alarm");
    if (!row || event.ctrlKey || event.metaKey || event.altKey) return;
    const does = {
      ArrowDown: () => move(row, 1), j: () => move(row, 1), ArrowUp: () => move(row, -1), k: () => move(row, -1),
      Home: first, End: last, Escape: () => close(row),
      a: () => may !== "read" && canAcknowledge(row.alarm) && act("acknowledge", row.alarm, true),
      A: () => may !== "read" && canAcknowledge(row.alarm) && act("acknowledge", row.alarm),
      s: () => may !== "read" && act(row.alarm.shelf ? "unshelve" : "shelve", row.alarm),
      x: () => may === "act" && choose(row.alarm),
    }[event.key];
    if (!does) return;
    event.preventDefault();
    event.stopPropagation();
    does();
  };
}

function canAcknowledge(alarm) {
  return alarm.state === "unacknowledged" || alarm.state === "returned";
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
    h("p", { class: "buttons" }, h("button", { type: "button", class: "main", onclick: () => dialog.close() }, "Close")));
  document.body.append(dialog);
  dialog.showModal();
}

function table(all) {
  return h("dl", { class: "keys" }, all.map(([keys, what]) => h("div", null, h("dt", null, keys.map((key) => [h("kbd", null, key), " "])), h("dd", null, what))));
}
