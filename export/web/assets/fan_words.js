// What a fan's states are in words, and how its reading stands to its setpoint.

import * as format from "./format.js";
import { controlledOf, setpointOf } from "./trend_data.js";

// modeWords say what a fan is doing.
export const modeWords = {
  unknown: ["Not known", "nothing good was read lately"],
  disabled: ["Disabled", "not permitted to run: by a schedule, the fire alarm, a switch or another system"],
  forced: ["Forced", "at the speed that its override input forces"],
  stopped: ["Stopped", "at rest, and nothing says that it went idle by itself"],
  idle: ["Idle", "stopped by its own controller for lack of demand"],
  starting: ["Starting", "within its start and the settling after it"],
  controlling: ["Controlling", "between its limits"],
  at_max: ["At max", "at its top speed"],
  at_min: ["At min", "at its lowest speed"],
  run_on: ["Run-on", "little demand left, about to go idle"],
};

// outcomeWords say why a read brought nothing.
export const outcomeWords = {
  timeout: "no answer came in time",
  refused: "the gateway refuses connections, or there is no way to it",
  reset: "the connection was cut off",
  exception: "the controller refused the request",
  unit_silent: "the gateway says that the controller does not answer",
  path_unavailable: "the gateway says that it has no way to the controller",
  garbled: "what came could not be understood",
  invalid: "the controller marked its values as invalid",
};

// qualityWords say why a point has no value now.
export const qualityWords = {
  good: "good", never_read: "never read", stale: "too old", invalid: "marked as no value, or no number", unanswered: "not answered",
  fault: "the device says that it has a fault",
  "out of service": "out of service at the device",
  overridden: "overridden at the device",
  "another unit": "the device states another unit",
};

// compare tells how the reading stands to the setpoint: [word, sentence]; the
// word is one of within, short, over, wrong, or "" where it cannot be told.
export function compare(fan) {
  const value = controlledOf(fan), setpoint = setpointOf(fan), tolerance = fan.tolerance_pa ?? fan.tolerance_m3s;
  if (value === undefined || setpoint === null || setpoint === 0) return ["", ""];
  const dimension = format.held(fan.controls), more = (value - setpoint) * Math.sign(setpoint);
  const by = format.quantity(Math.abs(more), dimension);
  if (Math.abs(more) <= tolerance) return ["within", "within tolerance"];
  if (value * setpoint < 0 && Math.abs(value) > tolerance) return ["wrong", `on the wrong side of zero, ${by} from setpoint`];
  return more > 0 ? ["over", `${by} more than setpoint`] : ["short", `${by} short of setpoint`];
}
