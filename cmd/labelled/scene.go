package main

import (
	"math/rand/v2"
	"time"

	"fanwarden/poller/field"
	"fanwarden/rules/condition"
)

// scene is one sample to be labelled: a kind of fan, the trouble that it gets,
// and what the way from the register to the reading does beside.
type scene struct {
	kind  field.Kind
	size  float64 // 0: one that shows clearly
	most  float64 // of a size at random, each factor as likely as another; 0: it is size
	fan   func(*fanText)
	way   way
	lasts time.Duration // of the trouble; 0: to the end, or for some hours
	hour  int           // of the run at which the trouble comes; 0: at random
	from  time.Duration // the same; 0: as hour says
	whole bool          // it is there from the beginning to the end
	times int           // that it comes, `every` so often; 0: once
	every time.Duration
	want  condition.Name // that it ought to raise on this fan; "": as its kind
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
		{kind: field.RestartOutOfReach, fan: tellsRestart, want: condition.SettingsChanged, note: "the controller tells its restart rise"},
		{kind: field.TubeOff},
		{kind: field.ProbeWrongSide},
		{kind: field.TubesSwapped},
		{kind: field.TubesSwapped, fan: discharge, note: "probe on discharge"},
		{kind: field.TubesSwapped, fan: idling, note: "goes idle"},
		{kind: field.SignLost},
		{kind: field.SignLost, fan: discharge, note: "probe on discharge"},
		{kind: field.OverFast},
		{kind: field.OverFast, size: 15, most: 120, note: "of any speed"},
		{kind: field.OverFast, size: 15, most: 120, fan: discharge, note: "probe on discharge"},
		{kind: field.OverFast, size: 15, most: 120, fan: airflow, note: "controls airflow"},
		{kind: field.ContactOpen},
		{kind: field.ContactOpen, fan: makesEarly, note: "that makes early"},
		{kind: field.ContactClosed},
		{kind: field.ContactClosed, fan: discharge, note: "probe on discharge"},
		{kind: field.ContactThreshold},
		{kind: field.ContactThreshold, size: 0.3, most: 0.7, note: "at any speed"},
		{kind: field.MotorOff},
		{kind: field.MotorOff, fan: discharge, note: "probe on discharge"},
		{kind: field.MotorOff, fan: airflow, note: "controls airflow"},
		{kind: field.MotorOff, fan: idling, note: "goes idle"},
		{kind: field.Tripped, fan: contacts},
		{kind: field.SensorFrozen},
		{kind: field.SensorFrozen, fan: discharge, note: "probe on discharge"},
		{kind: field.SensorFrozen, fan: airflow, note: "controls airflow"},
		{kind: field.SensorFrozen, fan: coarse, note: "a coarse sensor"},
		{kind: field.SensorDrifting},
		{kind: field.SensorDrifting, size: -60, most: -150, fan: awake, note: "fast"},
		{kind: field.SensorDrifting, size: -6, most: -20, fan: awake, want: condition.PinnedAtMin, note: "towards too much"},
		{kind: field.SensorOutOfRange},
		{kind: field.SensorOutOfRange, size: -1, note: "at the other end"},
		{kind: field.SensorOutOfRange, fan: discharge, note: "probe on discharge"},
		{kind: field.LeftInHand, fan: forcedBriefly, size: 0.3, most: 1},
		{kind: field.LeftInHand, fan: contacts, size: 0.3, most: 1, hour: 3, lasts: 26 * time.Hour, note: "for longer than a day"},
		{kind: field.ShortCycling, fan: idling},
		{kind: field.ShortCycling, fan: quiet, note: "little demand"},
		{kind: field.SlowLoading},
		{kind: field.SettingsChanged, fan: awake},
		{kind: field.SettingsChanged, fan: discharge, size: 1.3, most: 2, note: "probe on discharge"},
		{kind: field.SettingsChanged, fan: airflow, size: 1.25, most: 1.5, note: "controls airflow"},
		{kind: field.ContactThreshold, fan: panel, size: 0.4, most: 0.6, want: condition.SettingsChanged, note: "the controller tells"},
		{kind: field.MinSpeedRaised, fan: panel, note: "the controller tells"},
		{kind: field.MinSpeedRaised, fan: panel, size: 0.3, most: 0.5, note: "the controller tells, a little"},
		{kind: field.MinSpeedRaised, fan: tooFast, size: 0.6, whole: true, want: condition.PinnedAtMin, note: "its lowest speed is too high"},
		{kind: field.Undersized, size: 0.1, most: 0.6, note: "of any size"},
		{kind: field.Leaking, size: 2, most: 50, note: "of any size"},
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
		{kind: field.SettingsChanged, size: 1.3, fan: remoteAwake, harmless: true, note: "a setpoint that is moved from afar"},
		{way: way{gaps: true}, note: "gaps in the recording"},
		{way: way{contactLate: true}, note: "a contact sampled one poll late"},
		{kind: field.LeftInHand, size: 1, fan: contacts, lasts: 2 * time.Hour, harmless: true, note: "an override for two hours"},
		{kind: field.NotPermitted, fan: contacts, harmless: true, note: "not permitted for a while"},
		{kind: field.Leaking, hour: 27, lasts: 20 * time.Minute, harmless: true, fan: awake, note: "20 minutes at its top"},
		{kind: field.Leaking, hour: 27, lasts: 20 * time.Minute, harmless: true, fan: discharge, note: "20 minutes at its top, on discharge"},
		{kind: field.Leaking, hour: 27, lasts: 20 * time.Minute, harmless: true, fan: awakeCoarse, note: "20 minutes at its top, a coarse sensor"},
		{kind: field.Crowded, fan: busy, hour: 6, lasts: 18 * minute, times: 2, every: 15 * time.Hour, harmless: true, note: "18 minutes beyond its top, twice"},
		{kind: field.Crowded, fan: busyIdle, hour: 6, lasts: 18 * minute, times: 2, every: 15 * time.Hour, harmless: true, note: "18 minutes beyond its top, twice, goes idle"},
		{kind: field.Crowded, size: 0.25, most: 0.5, fan: awake, hour: 4, lasts: 4 * minute, times: 60, every: 12 * minute, harmless: true,
			note: "regular demand"},
		{kind: field.Crowded, size: 0.2, most: 0.4, fan: regular, hour: 6, lasts: 25 * minute, times: 16, every: 50 * minute, harmless: true,
			note: "regular demand, slow"},
		{kind: field.NotPermitted, fan: contacts, hour: 20, lasts: 8 * time.Hour, harmless: true, note: "off at night"},
		{fan: slow, note: "at its lowest speed all night"},
		{fan: panel, note: "a controller that tells its settings"},
		{fan: small, note: "a fan that peaks reach"},
		{fan: airflow, note: "constant airflow"},
		{fan: discharge, note: "probe on discharge"},
	}
}

// group is some fans with something in common.
type group struct {
	scenes []scene
	riser  bool          // they share one
	lasts  time.Duration // of their troubles, which come and go at the same time; 0: each has its own
	note   string
}

// groupScenes lists what is tried on several fans at once, once a run.
func groupScenes() []group {
	return []group{
		{riser: true, note: "a lead and its standby", scenes: []scene{{fan: lead}, {fan: standby}}},
		{riser: true, note: "a lead and its standby that nobody reads the permit of", scenes: []scene{{fan: silently(lead)}, {fan: silently(standby)}}},
		{riser: true, note: "a lead, too small, and its standby that is not called", scenes: []scene{{kind: field.Undersized, fan: lead},
			{kind: field.NotPermitted, fan: standby, whole: true, harmless: true}}},
		{riser: true, note: "a lead, too small, and its standby that helps", scenes: []scene{{kind: field.Undersized, size: 0.5, fan: lead}, {fan: standby}}},
		{riser: true, note: "a pair side by side", scenes: []scene{{fan: parallel}, {fan: parallel}}},
		{riser: true, lasts: 5 * time.Hour, note: "a pair side by side, a door left open",
			scenes: []scene{{kind: field.Leaking, size: 3.4, fan: parallel}, {kind: field.Leaking, size: 3.4, fan: parallel}}},
		{lasts: 9 * time.Hour, note: "a changed point map", scenes: []scene{{kind: field.SignLost}, {kind: field.SignLost}, {kind: field.SignLost},
			{kind: field.SignLost, fan: discharge}, {kind: field.SignLost}, {kind: field.SignLost}}},
		{lasts: 3 * time.Hour, note: "a power cut of half the units",
			scenes: []scene{{kind: field.SilentUnit}, {}, {kind: field.SilentUnit}, {}, {kind: field.SilentUnit}, {}}},
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

func remoteAwake(f *fanText) { remote(f); awake(f) }

func forcedBriefly(f *fanText) { contacts(f); f.forced = "6h" }

func panel(f *fanText) { f.pointmap, f.idle = "panel", false }

func tooFast(f *fanText) { awake(f); f.setpoint, f.slowest, f.height = -18, 60, 5 }

func makesEarly(f *fanText) { awake(f); f.highAt = 40 }

// busy fans have branch fans that push, and no peaks of their own early and late.
func busy(f *fanText) { f.duty, f.idle, f.reference = "general", false, "indoor" }

func busyIdle(f *fanText) { idling(f); f.duty = "general" }

func regular(f *fanText) { f.duty, f.idle = "dryer_shaft", false }

func slow(f *fanText) { f.duty, f.idle = "general", false }

func lead(f *fanText) { contacts(f); f.role = "lead" }

func standby(f *fanText) { contacts(f); f.role = "standby" }

func parallel(f *fanText) { f.role = "parallel" }

// silently is a kind of fan whose contacts are not read.
func silently(fan func(*fanText)) func(*fanText) {
	return func(f *fanText) { fan(f); f.pointmap = "rooftop" }
}

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
