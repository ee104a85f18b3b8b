package config

import (
	"fmt"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

func (a *assembly) fan(t *table) {
	t.as("[[fans]]", "")
	f := &Fan{ID: reading.FanID(t.id("fan"))}
	before := len(a.faults)
	a.connection(t, f)
	a.unsure[f] = len(a.faults) > before
	a.description(t, f)
	a.control(t, f)
	t.speeds(f)
	t.sensor(f)
	a.keeping(t, f)
	f.Rules = a.rulesOf(f)
	if rules := t.sub("rules"); rules != nil {
		f.Rules = f.Rules.Clone()
		a.rules(f.Rules, rules.as("", t.name), f)
	}
	f.origin = t.origin()
	for p := reading.MinSpeed; p <= reading.HighSpeedDelay; p++ {
		if t.has(p.String()) {
			f.given |= 1 << (p - reading.MinSpeed)
		}
	}
	t.finish()
	if register(t, a.fans, "fan", string(f.ID), f) {
		a.fleet.Fans = append(a.fleet.Fans, f)
	}
	a.placeFan(t, f)
}

// connection reads where the fan is found.
func (a *assembly) connection(t *table, f *Fan) {
	t.require("gateway", "name the gateway it is read through; define it in [[gateways]]")
	f.Gateway, _ = refer(t, a.gateways, "gateway", "gateway")
	scheme := ""
	if f.Gateway != nil {
		scheme, f.Building = f.Gateway.Scheme, f.Gateway.Building
	}
	if building, ok := refer(t, a.buildings, "building", "building"); ok {
		f.Building = building
	}
	f.Unit = t.unit(scheme, true)
	last := maxAddress
	if scheme == BACnet {
		last = maxInstance
	}
	f.Base = t.integer("base", 0, -last, last)
	f.Slot = t.integer("slot", 0, 0, last)
	t.require("pointmap", "name the point map of its controller; define it in [pointmaps.NAME]")
	f.PointMap, _ = refer(t, a.pointMaps, "pointmap", "point map")
	if f.Gateway != nil && f.PointMap != nil && !t.speaks(f.Gateway, f.PointMap) {
		f.PointMap = nil
	}
}

// description reads what people call the fan and what it is for.
func (a *assembly) description(t *table, f *Fan) {
	f.Name = t.text("name", string(f.ID))
	f.Location = t.text("location", "")
	f.Serves = t.text("serves", "")
	var duties []string
	for _, d := range Duties() {
		duties = append(duties, string(d))
	}
	f.Duty = Duty(t.choice("duty", "", duties...))
	f.Group = t.text("group", "")
	f.Role = Role(t.choice("role", "", string(Lead), string(Lag), string(Standby), string(Parallel)))
	if f.Role != NoRole && f.Group == "" {
		t.fault("role", fmt.Sprintf("the fan is %q of no group", f.Role), "name the fans of one riser with the same group, or leave the role out")
	}
}

// control reads what the fan holds, and how.
func (a *assembly) control(t *table, f *Fan) {
	f.ControlsAirflow = t.choice("controls", "pressure", "pressure", "airflow") == "airflow"
	if !f.ControlsAirflow {
		t.require("probe", `say which side of the fan the probe is on: probe = "suction" or probe = "discharge"`)
	}
	if t.choice("probe", "suction", "suction", "discharge") == "discharge" {
		f.Probe = Discharge
	}
	dimension := units.Pressure
	if f.ControlsAirflow {
		dimension = units.Flow
	}
	f.Setpoint, f.HasSetpoint = t.quantity("setpoint", dimension)
	t.sign(f)
	f.ProbeLow, f.ProbeHigh, f.HasProbeRange = t.span("probe_range", dimension)
	t.idle(f)
	f.StartDelay = t.duration("start_delay", defaultStartDelay, 0)
}

// sign holds the setpoint against the side of the probe.
func (t *table) sign(f *Fan) {
	if !f.HasSetpoint {
		return
	}
	switch {
	case f.ControlsAirflow && f.Setpoint <= 0:
		t.fault("setpoint", "an airflow cannot have a setpoint of zero or below", "write the flow without a sign")
	case f.ControlsAirflow || t.has("probe") && t.entries["probe"].broken() || !t.has("probe"):
	case f.Probe == Suction && f.Setpoint >= 0:
		t.fault("setpoint", "on the suction side the pressure is below the surroundings, and the setpoint is not below zero",
			`write it with a minus, as in "-0.12 inH2O", or correct probe to "discharge"`)
	case f.Probe == Discharge && f.Setpoint <= 0:
		t.fault("setpoint", "on the discharge side the pressure is above the surroundings, and the setpoint is not above zero",
			`write it without a minus, or correct probe to "suction"`)
	}
}

// idle reads when the fan stops by itself and starts again.
func (t *table) idle(f *Fan) {
	if f.ControlsAirflow {
		for _, key := range []string{"idle_below", "run_on", "restart_rise"} {
			if t.has(key) {
				t.fault(key, fmt.Sprintf("a fan that controls airflow does not go idle, so it has no %s", key), "remove it, or correct controls")
			}
			t.take(key)
		}
		return
	}
	f.IdleBelow, f.GoesIdle = t.speed("idle_below", 0)
	f.RunOn = t.duration("run_on", defaultRunOn, 0)
	f.RestartRise, f.HasRestartRise = t.quantity("restart_rise", units.Pressure)
	if f.HasRestartRise && f.RestartRise <= 0 {
		t.fault("restart_rise", "the restart rise must be above zero", "write how far the reading must move from setpoint, without a sign")
	}
}

// speeds reads the speeds at which something changes.
func (t *table) speeds(f *Fan) {
	var minGiven, maxGiven bool
	f.MinSpeed, minGiven = t.speed("min_speed", defaultMinSpeed)
	f.MaxSpeed, maxGiven = t.speed("max_speed", defaultMaxSpeed)
	if f.MaxSpeed < f.MinSpeed && (minGiven || maxGiven) {
		t.fault(either(t, "max_speed", "min_speed"), fmt.Sprintf("max_speed (%s) is below min_speed (%s)",
			percent(f.MaxSpeed), percent(f.MinSpeed)), "swap or correct them")
	}
	f.StoppedBelow, _ = t.speed("stopped_below", defaultStoppedBelow)
	f.OverrideSpeed, f.HasOverride = t.speed("override_speed", 0)
	f.HighSpeedAt, f.HasHighSpeed = t.speed("high_speed_at", 0)
	f.HighSpeedOffAt, _ = t.speed("high_speed_off_at", f.HighSpeedAt)
	f.HighSpeedDelay = t.duration("high_speed_delay", 0, 0)
	switch {
	case !t.has("high_speed_at") && (t.has("high_speed_off_at") || t.has("high_speed_delay")):
		t.fault(either(t, "high_speed_off_at", "high_speed_delay"), "the speed at which the high-speed contact makes is missing",
			"write high_speed_at beside it, or remove it")
	case f.HasHighSpeed && f.HighSpeedOffAt > f.HighSpeedAt:
		t.fault("high_speed_off_at", fmt.Sprintf("the high-speed contact would break at %s, above the %s at which it makes",
			percent(f.HighSpeedOffAt), percent(f.HighSpeedAt)), "write a high_speed_off_at at or below high_speed_at")
	}
}

func percent(ratio float64) string { return units.Metric.Format(ratio, units.Ratio) }

// sensor reads what is known of the probe, the riser and the motor.
func (t *table) sensor(f *Fan) {
	switch t.choice("reference", "", "indoor", "outdoor") {
	case "indoor":
		f.Reference = Indoor
	case "outdoor":
		f.Reference = Outdoor
	}
	f.RiserHeight = t.positive("riser_height", units.Length, 0)
	f.ProbeArea = t.positive("probe_area", units.Area, 0)
	f.AirDensity = t.positive("air_density", units.Density, defaultAirDensity)
	f.RatedPower = t.positive("rated_power", units.Power, 0)
	f.RatedRPM = t.positive("rated_rpm", units.Rotation, 0)
	f.ProbeFactor = t.number("probe_factor", defaultProbeFactor)
	if f.ProbeFactor <= 0 {
		t.fault("probe_factor", "the probe's factor must be above zero", "write what the maker of the probe gives, or leave it out")
	}
}

// keeping reads who may touch the fan, and since when it is in service.
func (a *assembly) keeping(t *table, f *Fan) {
	f.LifeSafety = t.boolean("life_safety", false)
	f.AllowExercise = t.boolean("allow_exercise", false)
	if f.LifeSafety && f.AllowExercise {
		t.fault("allow_exercise", "nothing ever writes to a fan with life_safety, so it cannot be exercised", "remove allow_exercise")
	}
	if t.has("force_release") {
		value := t.number("force_release", 0)
		f.ForceRelease = &value
		if f.Gateway != nil && f.Gateway.BACnet() {
			t.fault("force_release", "what was commanded on BACnet is given back by relinquishing its priority", "remove force_release")
		}
	} else {
		t.know("force_release")
	}
	if value, ok := t.quantity("abort_pressure", units.Pressure); ok {
		f.AbortPressure = &value
	}
	if f.ExerciseAtMost = t.duration("exercise_at_most", defaultExerciseAtMost, time.Minute); f.ExerciseAtMost > longestExercise {
		t.fault("exercise_at_most", "a fan is not to be forced for longer than an hour", "write at most \"1h\"")
	}
	f.InService = t.date("in_service", a.fleet.Location)
}

// date reads a day; it begins at midnight in the fleet's timezone.
func (t *table) date(key string, in *time.Location) time.Time {
	e := t.take(key)
	if e == nil {
		return time.Time{}
	}
	day, ok := e.value.(time.Time)
	if text, isText := e.value.(string); isText {
		var err error
		day, err = time.Parse(time.DateOnly, text)
		ok = err == nil
	}
	if !ok {
		t.fault(key, fmt.Sprintf("%q is not a date", key), fmt.Sprintf("write year, month and day, as in %s = 2026-01-31", key))
		return time.Time{}
	}
	return time.Date(day.Year(), day.Month(), day.Day(), 0, 0, 0, 0, in)
}
