import { h, replace } from "./dom.js";

export const name = "reports";
export const section = "reports";
export const title = "reports";

export function show(main, { parts }) {
  replace(main, h("h1", null, "reports"));
}
