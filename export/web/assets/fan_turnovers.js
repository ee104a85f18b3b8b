// The turnover records of a fan: when it was proven, by whom, with what verdicts,
// and what has become of what failed the first time.

import { h, replace } from "./dom.js";
import { get, path } from "./api.js";
import { empty, failed, when } from "./parts.js";
import { verdict } from "./fan_verdicts.js";
import * as format from "./format.js";

// turnoversOf answers { element, take(newest) }. It asks for the list when it is told
// of another newest record.
export function turnoversOf(fan) {
  const body = h("div", null), whole = h("p", { class: "quiet", hidden: true },
    h("a", { href: `${path("buildings", fan.building)}/turnover`, "data-out": true }, "The newest record of every fan of the building, in one document"));
  const state = { shown: undefined };
  const take = async (newest) => {
    const is = newest && newest.id + newest.sha256 + newest.doubt;
    if (is === state.shown) return;
    state.shown = is;
    whole.hidden = !newest;
    if (!newest) {
      replace(body, none(fan.id));
      return;
    }
    try {
      const { turnovers } = await get(path("api", "v1", "fans", fan.id, "turnovers"));
      replace(body, turnovers.length ? list(turnovers) : none(fan.id));
    } catch (error) {
      state.shown = undefined;
      failed(body, error);
    }
  };
  return { take, element: h("section", { class: "turnovers", "aria-labelledby": "turnover" }, h("h2", { id: "turnover" }, "Turnover records"), body, whole) };
}

function none(id) {
  return empty("No turnover record is kept for this fan yet. ", h("code", null, `fanwarden turnover --config FILE --fan ${id}`),
    " proves each of its points and keeps the record here; while the daemon runs, it lends its gateway for that.");
}

function list(turnovers) {
  const broken = turnovers.filter((one) => one.doubt).length;
  return [broken > 0 && h("p", { class: "broken", role: "alert" }, `${format.counted(broken, "record is", "records are")} not as ${broken === 1 ? "it was" : "they were"} sealed: do not rely on what ${broken === 1 ? "it says" : "they say"}.`),
    h("table", { class: "folds" }, h("caption", null, "The newest first; the first and the last 20 are kept"),
      h("thead", null, h("tr", null, ["Proven", "By", "Proofs", "Retest", "Seal", "Read it"].map((name) => h("th", { scope: "col" }, name)))),
      h("tbody", null, turnovers.map((one) => h("tr", { class: one.doubt ? "broken" : null }, cells(one)))))];
}

function cells(one) {
  const on = date(one.began), label = `of ${on}`;
  return [h("th", { scope: "row" }, when(one.began, on), h("small", null, one.mode === "exercise" ? "forced through its speeds" : one.mode && "looked at only")),
    h("td", { "data-is": "By" }, one.who ? h("bdi", null, one.who) : "not given", one.witness && h("small", null, "witness ", h("bdi", null, one.witness))),
    h("td", { "data-is": "Proofs" }, counts(one.verdicts)),
    h("td", { "data-is": "Retest", class: "wide" }, retest(one.retest_of)),
    h("td", { "data-is": "Seal", class: one.doubt ? "wide" : null }, one.doubt ? [h("strong", null, "Does not fit. "), sentence(one.doubt.split(": ")[0])] : ["fits", h("small", null, h("code", { title: one.sha256 }, one.sha256.slice(0, 12)))]),
    h("td", { class: "wide" }, h("span", { class: "ways" },
      h("a", { href: one.page, "data-out": true, "aria-label": `Page to print, record ${label}` }, "Page to print"),
      !one.doubt && h("a", { href: one.table, download: true, "aria-label": `CSV, points ${label}` }, "CSV"),
      h("a", { href: one.record, "data-out": true, "aria-label": `JSON, record ${label}` }, "JSON")))];
}

// date has the year: a record is read for as long as the fan runs.
function date(time) {
  return `${format.dayOfSite(time)}, ${format.hour(time)}`;
}

const order = ["fail", "not_seen", "pass", "not_applicable"];

function counts(verdicts) {
  const all = order.filter((name) => verdicts[name]);
  if (!all.length) return "none";
  return h("span", { class: "counts" }, all.map((name) => h("span", null, verdict(name), ` ${verdicts[name]} ${words[name]}`)));
}

const words = { fail: "failed", not_seen: "not seen", pass: "passed", not_applicable: "not applicable" };

function retest(first) {
  if (!first) return "the first";
  if (first.doubt) return [h("strong", null, "The first record does not fit its seal; nothing is compared with it.")];
  const told = [["mended", first.mended], ["fails still", first.still], ["fails now only", first.fresh]].filter(([, all]) => all.length);
  return [`of ${date(first.began)}`, told.map(([what, all]) => h("small", null, `${what}: ${all.map(format.words).join(", ")}`)), !told.length && h("small", null, "nothing failed either time")];
}

function sentence(text) {
  return `${text[0].toUpperCase()}${text.slice(1)}.`;
}
