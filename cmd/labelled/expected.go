package main

import (
	"fanwarden/poller/field"
	"fanwarden/rules/condition"
)

// expectation is what a kind of trouble ought to raise.
type expectation struct {
	want condition.Name
	// instead says as much: a sensor that breathes room air shows no effect.
	instead []condition.Name
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
	names := func(names ...condition.Name) []condition.Name { return names }
	return map[field.Kind]expectation{
		field.Undersized:         {want: pinned},
		field.Leaking:            {want: pinned},
		field.SetpointOutOfReach: {want: pinned, also: names(condition.SettingsChanged)},
		field.DeafWhenIdle:       {want: idle},
		field.RestartOutOfReach:  {want: idle, also: names(condition.SettingsChanged)},
		field.TubeOff:            {want: pinned, instead: names(noEffect, condition.SensorFrozen, condition.SensorOutOfRange), also: names(idle)},
		field.ProbeWrongSide:     {want: condition.InvertedSign},
		field.TubesSwapped:       {want: condition.InvertedSign},
		field.SignLost:           {want: condition.InvertedSign},
		field.OverFast:           {want: condition.Hunting, also: names(condition.ShortCycling)},
		field.ContactOpen:        {want: condition.ContactDisagrees},
		field.ContactClosed:      {want: condition.ContactDisagrees},
		field.ContactThreshold:   {want: condition.ContactDisagrees, also: names(condition.SettingsChanged)},
		field.MotorOff:           {want: noEffect, also: names(pinned)},
		field.Tripped:            {want: condition.ControllerFault, also: names(idle, pinned, noEffect)},
		field.SensorFrozen:       {want: condition.SensorFrozen, also: names(pinned, idle, atMin, off, noEffect)},
		field.SensorDrifting:     {want: condition.SensorOutOfRange, also: names(pinned, idle, atMin, off, condition.InvertedSign, condition.CreepingLoad)},
		field.SensorOutOfRange:   {want: condition.SensorOutOfRange, also: names(pinned, idle, atMin, off, noEffect, condition.SensorFrozen)},
		field.LeftInHand:         {want: condition.OverrideLeftOn, also: names(off, pinned)},
		field.ShortCycling:       {want: condition.ShortCycling, also: names(condition.Hunting)},
		field.SlowLoading:        {want: condition.CreepingLoad, also: names(pinned)},
		field.SettingsChanged:    {want: off, also: names(condition.SettingsChanged, pinned, idle, atMin)},
		field.MinSpeedRaised:     {want: condition.SettingsChanged, also: names(atMin, off)},
		field.SilentUnit:         {want: condition.ControllerSilent},
		field.TrunkCut:           {want: condition.LineSilent},
		field.GatewayOff:         {want: condition.GatewayDown},
		field.RepeatsOld:         {want: condition.DataNotMoving, also: names(condition.SensorFrozen)},
		field.ZeroFills:          {want: condition.ControllerSilent},
	}[kind]
}
