package main

import (
	"fanwarden/poller/field"
	"fanwarden/rules/condition"
)

// expectation is what a kind of trouble ought to raise.
type expectation struct {
	want condition.Name
	// also holds of the fan as well: a motor that does not turn moves nothing,
	// and it stays at its top short of its setpoint.
	also []condition.Name
}

// expected returns what a kind of trouble ought to raise; the zero value for
// one that ought to raise nothing.
func expected(kind field.Kind) expectation {
	const (
		pinned, idle = condition.PinnedAtMax, condition.StuckIdle
		off, atMin   = condition.OffSetpoint, condition.PinnedAtMin
		noEffect     = condition.NoEffect
	)
	also := func(names ...condition.Name) []condition.Name { return names }
	return map[field.Kind]expectation{
		field.Undersized:         {want: pinned},
		field.Leaking:            {want: pinned},
		field.SetpointOutOfReach: {pinned, also(condition.SettingsChanged)},
		field.DeafWhenIdle:       {want: idle},
		field.RestartOutOfReach:  {idle, also(condition.SettingsChanged)},
		field.TubeOff:            {pinned, also(idle, noEffect, condition.SensorFrozen)},
		field.ProbeWrongSide:     {want: condition.InvertedSign},
		field.TubesSwapped:       {want: condition.InvertedSign},
		field.SignLost:           {want: condition.InvertedSign},
		field.OverFast:           {condition.Hunting, also(condition.ShortCycling)},
		field.ContactOpen:        {want: condition.ContactDisagrees},
		field.ContactClosed:      {want: condition.ContactDisagrees},
		field.ContactThreshold:   {want: condition.ContactDisagrees},
		field.MotorOff:           {noEffect, also(pinned)},
		field.Tripped:            {condition.ControllerFault, also(idle, pinned, noEffect)},
		field.SensorFrozen:       {condition.SensorFrozen, also(pinned, idle, atMin, off, noEffect)},
		field.SensorDrifting:     {condition.SensorOutOfRange, also(pinned, idle, atMin, off, condition.CreepingLoad)},
		field.SensorOutOfRange:   {condition.SensorOutOfRange, also(pinned, idle, atMin, off, noEffect, condition.SensorFrozen)},
		field.LeftInHand:         {condition.OverrideLeftOn, also(off, pinned)},
		field.ShortCycling:       {condition.ShortCycling, also(condition.Hunting)},
		field.SlowLoading:        {condition.CreepingLoad, also(pinned)},
		field.SettingsChanged:    {condition.SettingsChanged, also(off, pinned, idle, atMin)},
		field.SilentUnit:         {want: condition.ControllerSilent},
		field.TrunkCut:           {want: condition.LineSilent},
		field.GatewayOff:         {want: condition.GatewayDown},
		field.RepeatsOld:         {condition.DataNotMoving, also(condition.SensorFrozen)},
		field.ZeroFills:          {want: condition.ControllerSilent},
	}[kind]
}
