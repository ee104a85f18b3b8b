package main

import (
	"math/rand/v2"
	"time"

	"fanwarden/poller/field"
)

// scene is one sample to be labelled: a kind of fan, the trouble that it gets,
// and what the way from the register to the reading does beside.
type scene struct {
	kind  field.Kind
	size  float64 // 0: one that shows clearly
	fan   func(*fanText)
	way   way
	lasts time.Duration // of the trouble; 0: to the end, or for some hours
	hour  int           // of the run at which the trouble comes; 0: at random
	note  string
	// harmless: what is put on the fan is no fault: a setpoint that is moved
	// from afar, an override for two hours.
	harmless bool
}

// way is what happens to readings between the controller and the rules.
type way struct {
	gaps        bool // now and then nothing is recorded for minutes
	contactLate bool // the high-speed contact is sampled one poll late
}

// fanScenes lists what is tried on single fans, once a run.
func fanScenes() []scene {
	return []scene{
		// Troubles that ought to show.
		{kind: field.Undersized},
		{kind: field.Undersized, fan: discharge, note: "probe on discharge"},
		{kind: field.Undersized, fan: airflow, note: "controls airflow"},
		{kind: field.Leaking},
		{kind: field.SetpointOutOfReach, fan: remote},
		{kind: field.DeafWhenIdle, fan: idling},
		{kind: field.DeafWhenIdle, fan: idling, note: "a second one"},
		{kind: field.RestartOutOfReach, fan: idling},
		{kind: field.RestartOutOfReach, fan: tellsRestart, note: "the controller tells its restart rise"},
		{kind: field.TubeOff},
		{kind: field.ProbeWrongSide},
		{kind: field.TubesSwapped},
		{kind: field.TubesSwapped, fan: discharge, note: "probe on discharge"},
		{kind: field.TubesSwapped, fan: idling, note: "goes idle"},
		{kind: field.SignLost},
		{kind: field.SignLost, fan: discharge, note: "probe on discharge"},
		{kind: field.OverFast},
		{kind: field.ContactOpen},
		{kind: field.ContactClosed},
		{kind: field.ContactThreshold},
		{kind: field.MotorOff},
		{kind: field.Tripped, fan: contacts},
		{kind: field.SensorFrozen},
		{kind: field.SensorDrifting},
		{kind: field.SensorOutOfRange},
		{kind: field.LeftInHand, fan: contacts},
		{kind: field.ShortCycling, fan: idling},
		{kind: field.SlowLoading},
		{kind: field.SettingsChanged},
		{kind: field.SilentUnit},

		// Ill fans that look healthy.
		{kind: field.TubesSwapped, fan: quiet, hour: 22, lasts: 6 * time.Hour, note: "an idle fan with little demand"},
		{kind: field.DeafWhenIdle, fan: quiet, hour: 22, lasts: 6 * time.Hour, note: "an idle fan with little demand"},
		{kind: field.SignLost, fan: smallSetpoint, note: "setpoint within two tolerances of zero"},
		{kind: field.SetpointOutOfReach, note: "a setpoint that nobody reads"},
		{kind: field.Leaking, size: 1.3, note: "a small leak"},
		{kind: field.Undersized, size: 0.85, note: "a little too small"},

		// Healthy fans that look ill.
		{fan: idling, note: "idle at night"},
		{fan: tall, note: "a tall riser"},
		{fan: windy, note: "a probe that breathes the wind"},
		{fan: coarse, note: "a coarse sensor"},
		{fan: coarseDischarge, note: "a coarse sensor on discharge"},
		{kind: field.SettingsChanged, size: 1.3, fan: remote, harmless: true, note: "a setpoint that is moved from afar"},
		{way: way{gaps: true}, note: "gaps in the recording"},
		{way: way{contactLate: true}, note: "a contact sampled one poll late"},
		{kind: field.LeftInHand, size: 1, fan: contacts, lasts: 2 * time.Hour, harmless: true, note: "an override for two hours"},
		{kind: field.NotPermitted, fan: contacts, harmless: true, note: "not permitted for a while"},
		{kind: field.Leaking, hour: 27, lasts: 20 * time.Minute, harmless: true, fan: awake, note: "20 minutes at its top"},
		{kind: field.Leaking, hour: 27, lasts: 20 * time.Minute, harmless: true, fan: discharge, note: "20 minutes at its top, on discharge"},
		{kind: field.Leaking, hour: 27, lasts: 20 * time.Minute, harmless: true, fan: awakeCoarse, note: "20 minutes at its top, a coarse sensor"},
		{fan: small, note: "a fan that peaks reach"},
		{fan: airflow, note: "constant airflow"},
		{fan: discharge, note: "probe on discharge"},
	}
}

// gatewayScenes lists what is tried on gateways of their own, once a run.
func gatewayScenes() []scene {
	return []scene{
		{kind: field.TrunkCut}, {kind: field.GatewayOff}, {kind: field.RepeatsOld}, {kind: field.ZeroFills},
		{kind: field.SlowLine}, {kind: field.AnswersLate}, {kind: field.ResetsConnections},
		{kind: field.LimitsConnections}, {kind: field.SendsGarbage},
	}
}

// Kinds of fan. Each takes a bath riser and makes it what it should be.

func discharge(f *fanText) { f.probe, f.setpoint, f.idle = "discharge", -f.setpoint, false }

func idling(f *fanText) { f.idle, f.reference = true, "indoor" }

func awake(f *fanText) { f.idle = false }

func awakeCoarse(f *fanText) { awake(f); coarse(f) }

func tellsRestart(f *fanText) { idling(f); f.restart, f.pointmap = 0, "settings" }

func contacts(f *fanText) { f.pointmap = "contacts" }

func remote(f *fanText) { f.pointmap = "remote" }

func coarse(f *fanText) { f.pointmap = "coarse" }

func coarseDischarge(f *fanText) { discharge(f); coarse(f) }

func tall(f *fanText) { f.height, f.reference = 70, "indoor" }

func windy(f *fanText) { f.height, f.reference = 20, "outdoor" }

func quiet(f *fanText) { idling(f); f.duty = "general" }

func smallSetpoint(f *fanText) { f.setpoint, f.idle = -8, false }

func small(f *fanText) { f.duty = "laundry" }

func airflow(f *fanText) {
	f.airflow, f.idle, f.duty, f.pointmap = true, false, "general", "flow"
	f.setpoint = 0.2 + 0.01*float64(int(-f.setpoint))
}

// ordinary returns a bath riser's fan, a little different each time.
func ordinary(rnd *rand.Rand) fanText {
	duties := []string{"bath", "bath", "laundry", "kitchen", "garage", "laboratory"}
	maps := []string{"rooftop", "rooftop", "metric", "float"}
	setpoint := -float64(18 + rnd.IntN(50))
	f := fanText{probe: "suction", setpoint: setpoint, duty: duties[rnd.IntN(len(duties))],
		pointmap: maps[rnd.IntN(len(maps))], height: float64(4 + rnd.IntN(6)), reference: "outdoor", highAt: 80}
	if rnd.IntN(2) == 0 {
		f.reference = "indoor"
	}
	f.restart = float64(int(10 - setpoint*(1+0.4*rnd.Float64())))
	if rnd.IntN(3) == 0 {
		idling(&f)
	}
	return f
}
