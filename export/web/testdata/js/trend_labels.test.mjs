import test from "node:test";
import assert from "node:assert/strict";
import { speeds } from "../../assets/trend_labels.js";

test("speeds that are the same have one line with all their names", () => {
  for (const [limits, want] of [
    [{ min_speed: 0.2, max_speed: 1, idle_below: 0.2, high_speed_at: 0.8, high_speed_off_at: 0.8 }, [[1, ["max"]], [0.2, ["idle", "min"]], [0.8, ["contact"]]]],
    [{ min_speed: 0.3, max_speed: 1, idle_below: null, high_speed_at: 0.8, high_speed_off_at: 0.7 }, [[1, ["max"]], [0.3, ["min"]], [0.7, ["opens"]], [0.8, ["contact"]]]],
    [{ max_speed: 0.8, high_speed_at: 0.8 }, [[0.8, ["max", "contact"]]]],
    [{}, []],
  ]) assert.deepEqual(speeds(limits), want);
});
