// How the alarms do as a whole: for whoever looks after them rather than after
// the fans.

import { h, s, replace } from "./dom.js";
import * as format from "./format.js";
import { buildingLink, fanLink, mark } from "./parts.js";

// rateWords judge a rate an hour against what one person can see to.
export function rateWords(rate, { acceptable_an_hour: fine, most_an_hour: most }) {
  if (rate > most) return `more than one person can see to (${most} an hour)`;
  if (rate > fine) return `more than is comfortable for one person (${fine} an hour)`;
  return `within what one person can see to (${fine} an hour, ${most} at the most)`;
}

const plain = (n) => (n >= 10 || Number.isInteger(n) ? String(Math.round(n)) : n.toFixed(1));

// showFigures writes the answer of /api/v1/alarms/figures.
export function showFigures(place, figures, buildings) {
  const { targets, acknowledged } = figures;
  replace(place,
    h("h2", null, "How the alarms do"),
    h("p", { class: "rate" }, h("b", null, plain(figures.an_hour)), " an hour over the last day, ", rateWords(figures.an_hour, targets)),
    gauge(figures.an_hour, figures.last_hour, targets),
    h("p", { class: "quiet" }, `${figures.last_hour} in the last hour, ${figures.last_10_minutes} in the last ten minutes.`),
    h("dl", { class: "lived" },
      row("Floods", figures.flood ? "one now" : figures.floods_last_week ? `${figures.floods_last_week} in the last week` : "none in the last week"),
      row("Chattering", figures.chattering || "none"),
      row("Stale", figures.stale ? `${figures.stale} stand for more than a day` : "none stands for more than a day"),
      row("Put aside", `${figures.shelved} shelved, ${format.counted(figures.out_of_service, "fan")} out of service`),
      row("Acknowledged", acknowledged.alarms ? `half within ${format.span(acknowledged.median_s)}, 95 of 100 within ${format.span(acknowledged.p95_s)} (${acknowledged.alarms} in a week)` : "none in the last week")),
    h("h3", null, "Of the last week"), shareBar(figures.share),
    h("h3", null, "Most often"), frequent(figures.most_frequent, buildings));
}

function row(name, value) {
  return h("div", null, h("dt", null, name), h("dd", null, String(value)));
}

// gauge draws the rates against the targets: the mean of the day as a bar, the
// last hour as a line across it.
function gauge(mean, last, { acceptable_an_hour: fine, most_an_hour: most }) {
  const end = Math.max(most * 1.25, mean, last);
  const x = (rate) => Math.round((rate / end) * 1000) / 10;
  const tick = (rate) => h("span", { class: "tick" }, String(rate));
  const scale = h("p", { class: "scale", "aria-hidden": "true" }, [fine, most].map(tick));
  [fine, most].forEach((rate, i) => (scale.children[i].style.left = `${x(rate)}%`));
  return [s("svg", { class: "gauge", viewBox: "0 0 100 12", preserveAspectRatio: "none", "aria-hidden": "true" },
    s("rect", { class: "whole", x: 0, y: 2, width: 100, height: 8 }),
    s("rect", { class: mean > fine ? "much" : "mean", x: 0, y: 2, width: x(mean), height: 8 }),
    s("path", { class: "edge", d: `M${x(fine)} 0V12M${x(most)} 0V12` }),
    s("path", { class: "last", d: `M${x(last)} 0V12` })), scale];
}

function shareBar(share) {
  const parts = ["page", "ticket", "note"].map((severity) => [severity, share[severity] ?? 0]);
  if (!parts.some(([, n]) => n > 0)) return h("p", { class: "quiet" }, "No alarm was raised.");
  let at = 0;
  return [s("svg", { class: "shares", viewBox: "0 0 100 8", preserveAspectRatio: "none", "aria-hidden": "true" },
    parts.map(([severity, n]) => {
      const from = at;
      at += 100 * n;
      return s("rect", { class: severity, x: from, y: 0, width: 100 * n, height: 8 });
    })),
    h("p", { class: "keyed" }, parts.map(([severity, n]) => h("span", null, mark(severity), ` ${Math.round(100 * n)} % ${severity}s`))),
    h("p", { class: "quiet" }, "About one in twenty should be a page; when many are, none is.")];
}

function frequent(all, buildings) {
  if (!all.length) return h("p", { class: "quiet" }, "Nothing yet.");
  const most = Math.max(...all.map((one) => one.times));
  return h("ol", { class: "frequent" }, all.map((one) => {
    const bar = h("i", { "aria-hidden": "true" });
    bar.style.width = `${(100 * one.times) / most}%`;
    return h("li", null, h("span", null, format.words(one.condition), " of ", one.fan ? fanLink(one.fan, one.name) : h("bdi", null, one.gateway), h("small", null, buildingLink(one.building, buildings.get(one.building)))),
      h("b", null, `${one.times}×`), bar);
  }));
}
