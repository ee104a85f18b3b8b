package condition

import (
	"time"

	"fanwarden/poller/units"
)

// Keys of the parameters that single conditions have.
const (
	IdleAtMost     = "idle_at_most"
	StepHold       = "step_hold"
	FlatHold       = "flat_hold"
	DemandHold     = "demand_hold"
	BeyondPushes   = "beyond_pushes"
	MirroredHold   = "mirrored_hold"
	OverrideAtMost = "override_at_most"
	ProvenHold     = "proven_hold"
	CreepPoints    = "creep_points"
)

// Catalogue lists every condition in the order of cause before consequence:
// gateway, controller, sensor, sign, motor, control, duty.
func Catalogue() []Definition {
	return []Definition{
		{Name: GatewayDown, Scope: OfGateway,
			Meaning: "does not answer",
			Default: Setting{Enabled: true, Hold: time.Minute, Severity: Ticket}},
		{Name: LineSilent, Scope: OfGateway,
			Meaning: "answers, and none of its units does",
			Default: Setting{Enabled: true, Hold: time.Minute, Severity: Ticket}},
		{Name: DataNotMoving, Scope: OfGateway,
			Meaning: "repeats what it once read",
			Default: Setting{Enabled: true, Hold: 10 * time.Minute, Severity: Ticket}},
		{Name: ControllerSilent,
			Meaning: "does not answer though its gateway does, or is reported unheard",
			Default: Setting{Enabled: true, Hold: 2 * time.Minute, Severity: Ticket}},
		{Name: ControllerFault,
			Meaning: "reports a fault of its own",
			Default: Setting{Enabled: true, Hold: time.Minute, Severity: Ticket}},
		{Name: SensorFrozen,
			Meaning: "repeats one value for longer than its own noise and resolution make believable",
			Default: Setting{Enabled: true, Hold: 15 * time.Minute, Severity: Ticket},
			Own: []Parameter{{Key: FlatHold, Dimension: units.Time, Default: 2 * 3600,
				Meaning: "how long one value must stand where the speed does not move"}}},
		{Name: SensorOutOfRange,
			Meaning: "reads at or beyond what its sensor can",
			Default: Setting{Enabled: true, Hold: 5 * time.Minute, Severity: Ticket},
			Own: []Parameter{{Key: DemandHold, Dimension: units.Time, Default: 3600,
				Meaning: "how long it must stand at an end that demand, draught or a wrong sign may have brought it to"}}},
		{Name: InvertedSign,
			Meaning: "reads its pressure with the wrong sign",
			Default: Setting{Enabled: true, Hold: 3 * time.Minute, Severity: Ticket},
			Own: []Parameter{
				{Key: BeyondPushes, Dimension: units.Pressure, Default: 75,
					Meaning: "a wrong-signed reading beyond this is more than branch fans can push"},
				{Key: MirroredHold, Dimension: units.Time, Default: 20 * 60,
					Meaning: "how long it must control well at minus its setpoint"},
			}},
		{Name: SettingsChanged,
			Meaning: "no longer has the settings recorded at turnover",
			Default: Setting{Enabled: true, Hold: 10 * time.Minute, Severity: Note}},
		{Name: NoEffect,
			Meaning: "is commanded well above its minimum and moves nothing",
			Default: Setting{Enabled: true, Hold: 20 * time.Minute, Severity: Ticket},
			Own: []Parameter{{Key: ProvenHold, Dimension: units.Time, Default: 10 * 60,
				Meaning: "how long its proof, its rpm or its power must say that the wheel stands still"}}},
		{Name: StuckIdle,
			Meaning: "stays stopped though there is demand",
			Default: Setting{Enabled: true, Hold: 2 * time.Minute, Severity: Ticket},
			Own: []Parameter{
				{Key: StepHold, Dimension: units.Time, Default: 20 * 60,
					Meaning: "how long a rise that came as a step must stay where the restart point is not reached"},
				{Key: IdleAtMost, Dimension: units.Time, Default: 72 * 3600,
					Meaning: "idle for longer is a note, whatever the reading says"},
			}},
		{Name: PinnedAtMax,
			Meaning: "stays at its top speed, short of setpoint by more than the tolerance",
			Default: Setting{Enabled: true, Hold: 22 * time.Minute, Severity: Ticket}},
		{Name: PinnedAtMin,
			Meaning: "draws more than setpoint at its lowest speed and cannot slow further or go idle",
			Default: Setting{Enabled: true, Hold: 2 * time.Hour, Severity: Note}},
		{Name: Hunting,
			Meaning: "swings regularly around its setpoint without settling",
			Default: Setting{Enabled: true, Hold: 10 * time.Minute, Severity: Ticket}},
		{Name: OffSetpoint,
			Meaning: "runs between its limits and stays away from setpoint by more than the tolerance",
			Default: Setting{Enabled: true, Hold: 45 * time.Minute, Severity: Ticket}},
		{Name: ContactDisagrees,
			Meaning: "shows a high-speed contact that does not follow its speed",
			Default: Setting{Enabled: true, Hold: 10 * time.Minute, Severity: Ticket}},
		{Name: ShortCycling,
			Meaning: "starts six times or more in an hour",
			Default: Setting{Enabled: true, Severity: Ticket}},
		{Name: OverrideLeftOn,
			Meaning: "has been forced for longer than override_at_most",
			Default: Setting{Enabled: true, Severity: Note},
			Own: []Parameter{{Key: OverrideAtMost, Dimension: units.Time, Default: 24 * 3600,
				Meaning: "how long an override may stand; where it is not given, less by some duties"}}},
		{Name: CreepingLoad,
			Meaning: "needs more and more speed for the same duty",
			Default: Setting{Enabled: true, Severity: Note},
			Own: []Parameter{{Key: CreepPoints, Dimension: units.Ratio, Default: 0.05,
				Meaning: "how much more speed, of all there is, is worth a note"}}},
	}
}

// Find returns the catalogue's definition of a name.
func Find(name Name) (Definition, bool) {
	for _, d := range Catalogue() {
		if d.Name == name {
			return d, true
		}
	}
	return Definition{}, false
}
