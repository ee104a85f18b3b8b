// Where a fan stands on the operating plane, and how its place is said in words.
// Across goes the speed, as the daemon sends it: twice the percent. Up goes the
// error of what the fan holds, in percent of its setpoint: 0 at setpoint, -100
// where nothing is held, below that what reads with the wrong sign.

export const tolerance = 15; // percent of setpoint that the rules let pass
export const farthest = 400; // percent at which the daemon cuts an error off

const slow = 10; // 5 %: below it a fan is stopped
const full = 199; // at 99.5 % and above it has no more to give

// Inside the tolerance the scale is even, beyond it each doubling takes the same
// room. The share that the tolerance gets lets the two meet without a bend.
const share = 1 / (1 + Math.log(farthest / tolerance));

// rise is how high an error stands: -1 at the foot of the plane, 0 at setpoint, 1
// at its top.
export function rise(error) {
  const size = Math.min(Math.abs(error), farthest);
  if (size <= tolerance) return (share * error) / tolerance;
  return Math.sign(error) * share * (1 + Math.log(size / tolerance));
}

// fresh reports whether a fan has a place on the plane: an old value is never
// drawn as a new one.
export function fresh(fan) {
  return fan.x !== null && fan.y !== null;
}

const resting = new Set(["stopped", "idle", "disabled"]);

// lane says where a fan stands across: "stopped", "running" or "top".
export function lane(fan, mode) {
  if (fan.x < slow || resting.has(mode)) return "stopped";
  return fan.x >= full || mode === "at_max" ? "top" : "running";
}

// frame divides a picture of a width and height into its gutters, its lanes and
// the field between them; rem is the size of the text, all in CSS pixels.
export function frame(width, height, rem) {
  const wide = width > 36 * rem;
  const left = (wide ? 6.4 : 4.3) * rem;
  const right = width - (wide ? 1 : 0.5) * rem;
  const inside = right - left;
  const lanes = { stopped: Math.max(3.4 * rem, inside * 0.1), top: Math.max(2.8 * rem, inside * 0.075) };
  return {
    left, right, wide,
    top: 2.4 * rem, bottom: height - 3 * rem,
    from: left + lanes.stopped, to: right - lanes.top,
  };
}

// across is where a speed of the field between the lanes stands.
export function across(f, x) {
  return f.from + ((f.to - f.from) * (x - slow)) / (200 - slow);
}

// above is where an error stands.
export function above(f, error) {
  return (f.top + f.bottom) / 2 - ((f.bottom - f.top) / 2) * rise(error);
}

// In a lane the speed says no more, so its room spreads what would lie on one
// line: steps of the golden ratio keep any run of neighbours apart, and a fan
// always stands at the same place.
const golden = 0.6180339887;

// place is the middle of a fan's mark.
export function place(f, fan, mode) {
  const y = above(f, fan.y);
  const spread = 0.12 + 0.76 * (((fan.index + 1) * golden) % 1);
  switch (lane(fan, mode)) {
    case "stopped":
      return [f.left + (f.from - f.left) * spread, y];
    case "top":
      return [f.to + (f.right - f.to) * spread, y];
  }
  return [across(f, fan.x), y];
}

// errorWords says an error.
export function errorWords(error) {
  if (error === null) return "reading or setpoint unknown";
  if (error >= farthest) return "five times its setpoint or more";
  if (error > tolerance) return `${error} % more than setpoint`;
  if (error > 0) return `at setpoint, ${error} % over`;
  if (error >= -tolerance) return error === 0 ? "at setpoint" : `at setpoint, ${-error} % short`;
  if (error > -90) return `${-error} % short of setpoint`;
  if (error >= -110) return "holds next to nothing";
  if (error <= -farthest) return "wrong sign, three times its setpoint or more";
  return `wrong sign, at ${-error - 100} % of its setpoint`;
}

// speedWords says a speed.
export function speedWords(x) {
  return x === null ? "speed unknown" : `${Math.round(x / 2)} % speed`;
}
