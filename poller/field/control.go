package field

// KindOf says what a kind of trouble is, for whoever puts one on.
type KindOf struct {
	Kind Kind   `json:"kind"`
	Of   string `json:"of"`   // fan or gateway
	What string `json:"what"` // what happens
	Size string `json:"size"` // what the size means; "" where it means nothing
}

// Catalogue explains every kind of trouble: those of a fan first, then those of a
// gateway. A silent unit is named by its fan.
func Catalogue() []KindOf {
	return []KindOf{
		{Undersized, "fan", "the fan is too small for its duct", "the part of its pressure that is left, 0.6"},
		{Leaking, "fan", "a door or a cap in the riser is left open", "times the leakage of the riser"},
		{SetpointOutOfReach, "fan", "the setpoint is more than the fan can hold", "times the setpoint"},
		{DeafWhenIdle, "fan", "it does not start again, whatever it reads", ""},
		{RestartOutOfReach, "fan", "the reading cannot rise far enough to start it again", "times the restart rise"},
		{TubeOff, "fan", "the tube of the sensor has come off; it reads room air", ""},
		{ProbeWrongSide, "fan", "the probe is on the other side of the fan", ""},
		{TubesSwapped, "fan", "the two tubes of the sensor are swapped", ""},
		{SignLost, "fan", "the registers lose the sign of the pressure; the controller does not", ""},
		{OverFast, "fan", "the controller responds too fast and hunts", "times as fast as it should"},
		{ContactOpen, "fan", "the high-speed contact stays open", ""},
		{ContactClosed, "fan", "the high-speed contact stays closed", ""},
		{ContactThreshold, "fan", "the high-speed contact makes at the wrong speed", "the speed, 0 to 1"},
		{MotorOff, "fan", "the motor does not turn, whatever is commanded", ""},
		{Tripped, "fan", "the controller has stopped the fan by a fault of its own", ""},
		{NotPermitted, "fan", "the fan is not permitted to run", ""},
		{SensorFrozen, "fan", "the sensor repeats one value", ""},
		{SensorDrifting, "fan", "the sensor drifts", "Pa an hour"},
		{SensorOutOfRange, "fan", "the sensor stands at the end of its range", ""},
		{LeftInHand, "fan", "the fan is left in hand", "the speed, 0 to 1"},
		{ShortCycling, "fan", "the fan starts again as soon as it is idle", ""},
		{SlowLoading, "fan", "the riser needs more and more", "growth of the leakage a week, as a part of itself"},
		{SettingsChanged, "fan", "the setpoint is changed at the panel", "times the setpoint"},
		{SilentUnit, "fan", "its controller does not answer the gateway", ""},
		{TrunkCut, "gateway", "it answers, and hears none of its units", ""},
		{GatewayOff, "gateway", "it has no power: connections are refused", ""},
		{SlowLine, "gateway", "it answers later than it could", "seconds; half of its time-out if not given"},
		{RepeatsOld, "gateway", "it repeats what it last read", ""},
		{ZeroFills, "gateway", "it shows zeros for the units that it has lost, or for all if it has lost none otherwise", ""},
		{AnswersLate, "gateway", "one answer in five comes after the time-out", ""},
		{ResetsConnections, "gateway", "it breaks the connection in the middle of one answer in ten", ""},
		{LimitsConnections, "gateway", "it takes one connection at a time", ""},
		{SendsGarbage, "gateway", "one answer in five makes no sense", ""},
	}
}
