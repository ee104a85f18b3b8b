import { h, replace } from "./dom.js";

export const name = "fleet";
export const section = "fleet";
export const title = "fleet";

export function show(main, { parts }) {
  replace(main, h("h1", null, "fleet"));
}
