import test from "node:test";
import assert from "node:assert/strict";
import { compare } from "../../assets/fan_words.js";
import { setSite } from "../../assets/format.js";

setSite({ zone: "UTC", units: { pressure: { unit: "Pa", factor: 1, offset: 0, decimals: 0 }, flow: { unit: "L/s", factor: 0.001, offset: 0, decimals: 0 } } });

test("a reading is told against its setpoint", () => {
  const suction = (pressure_pa, setpoint_pa = -30) => ({ controls: "pressure", values: { pressure_pa }, setpoint_pa, tolerance_pa: 5 });
  for (const [fan, word, sentence] of [
    [suction(-30), "within", "within tolerance"],
    [suction(-25), "within", "within tolerance"],
    [suction(-12), "short", "18 Pa short of setpoint"],
    [suction(-60), "over", "30 Pa more than setpoint"],
    [suction(2), "short", "32 Pa short of setpoint"], // about nothing, and no wrong sign yet
    [suction(40), "wrong", "on the wrong side of zero, 70 Pa from setpoint"],
    [suction(20, 30), "short", "10 Pa short of setpoint"], // the probe on discharge
    [suction(-40, 30), "wrong", "on the wrong side of zero, 70 Pa from setpoint"],
    [suction(undefined), "", ""],
    [suction(-30, null), "", ""],
    [{ controls: "airflow", values: { airflow_m3s: 0.3 }, setpoint_m3s: 0.4, tolerance_m3s: 0.06 }, "short", "100 L/s short of setpoint"],
  ]) assert.deepEqual(compare(fan), [word, sentence]);
});
