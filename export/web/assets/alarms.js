import { h, replace } from "./dom.js";

export const name = "alarms";
export const section = "alarms";
export const title = "alarms";

export function show(main, { parts }) {
  replace(main, h("h1", null, "alarms"));
}
