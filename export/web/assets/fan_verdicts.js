// The sign of a verdict, the same as on the page that is printed: its shape tells it,
// its word stands beside it.

import { s } from "./dom.js";

const shapes = {
  pass: [["circle", { cx: 8, cy: 8, r: 7, class: "full" }], ["path", { d: "M4 8l3 3 5-6", class: "cut" }]],
  fail: [["path", { d: "M1 1h14v14H1z", class: "full" }], ["path", { d: "M4 4l8 8M12 4l-8 8", class: "cut" }]],
  not_seen: [["path", { d: "M8 1l7 7-7 7-7-7z", class: "line" }]],
  not_applicable: [["path", { d: "M2 8h12", class: "line" }]],
};

export function verdict(name) {
  return s("svg", { class: `verdict ${name}`, viewBox: "0 0 16 16", width: 16, height: 16, "aria-hidden": "true" }, (shapes[name] ?? []).map(([tag, attributes]) => s(tag, attributes)));
}
