import { h, replace } from "./dom.js";

export const name = "fan";
export const section = "fan";
export const title = "fan";

export function show(main, { parts }) {
  replace(main, h("h1", null, "fan"));
}
