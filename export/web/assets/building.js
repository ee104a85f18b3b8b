import { h, replace } from "./dom.js";

export const name = "building";
export const section = "building";
export const title = "building";

export function show(main, { parts }) {
  replace(main, h("h1", null, "building"));
}
