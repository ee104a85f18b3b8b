import test from "node:test";
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";

// What canvases draw is seen by no checker of the page: their colours are held to
// WCAG 2.1 here, texts to 4.5:1 (1.4.3) and lines to 3:1 (1.4.11).
const css = readFileSync(new URL("../../assets/base.css", import.meta.url), "utf8");
const [light, night] = css.split("prefers-color-scheme: dark");
const tokens = (text) => Object.fromEntries([...text.matchAll(/--([a-z-]+): (#[0-9a-f]{6})/g)].map(([, name, colour]) => [name, colour]));
const themes = { light: tokens(light), dark: { ...tokens(light), ...tokens(night) } };

function luminance(colour) {
  const [r, g, b] = [1, 3, 5].map((at) => parseInt(colour.slice(at, at + 2), 16) / 255).map((c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4));
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
}

function contrast(a, b) {
  const [high, low] = [luminance(a), luminance(b)].sort((x, y) => y - x);
  return (high + 0.05) / (low + 0.05);
}

const texts = ["ink", "soft", "air", "want", "drive"].map((name) => [name, "card"]);
const lines = [["air", "rest"], ["air", "forced"], ["air", "gap"], ["drive", "rest"], ["drive", "forced"], ["want", "rest"], ["want", "forced"], ["soft", "card"],
  ["ticket", "card"], ["page", "card"], ["note", "card"], ["accent", "card"], ["soft", "rest"], ["soft", "forced"]];

for (const [theme, of] of Object.entries(themes)) {
  test(`colours of the canvases can be told apart, ${theme}`, () => {
    for (const [pairs, least] of [[texts, 4.5], [lines, 3]]) {
      for (const [a, b] of pairs) assert.ok(contrast(of[a], of[b]) >= least, `${a} on ${b}: ${contrast(of[a], of[b]).toFixed(2)}`);
    }
  });
}
