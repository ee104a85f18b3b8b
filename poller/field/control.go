package field

import (
	"fmt"
	"math"
)

// KindOf says what a kind of trouble is, for whoever puts one on.
type KindOf struct {
	Kind Kind   `json:"kind"`
	Of   string `json:"of"`   // fan or gateway
	What string `json:"what"` // what happens
	Size string `json:"size"` // what the size means, and its range; "" where it means nothing

	// Least and Most bound the size; both are 0 where it means nothing. A size
	// of 0 is always taken: it is one that shows clearly.
	Least float64 `json:"least"`
	Most  float64 `json:"most"`
}

// Catalogue explains every kind of trouble: those of a fan first, then those of a
// gateway. A silent unit is named by its fan.
func Catalogue() []KindOf {
	all := catalogue
	for i := range all {
		if k := &all[i]; k.Size != "" {
			k.Size = fmt.Sprintf("%s, %s; 0 or none: one that shows clearly", k.Size, k.span())
		}
	}
	return all[:]
}

func (k *KindOf) span() string { return fmt.Sprintf("%g to %g", k.Least, k.Most) }

// takes says what is wrong with a size, if anything.
func (k *KindOf) takes(size float64) error {
	switch {
	case size == 0:
		return nil
	case k.Size == "":
		return fmt.Errorf("%s has no size; leave out the size of %g", k.Kind, size)
	case math.IsNaN(size) || size < k.Least || size > k.Most:
		return fmt.Errorf("%s takes a size of %s, not %g; it means: %s", k.Kind, k.span(), size, k.Size)
	}
	return nil
}

// catalogue is every kind of trouble, those of fans first. Bounds are wide
// enough for any training and narrow enough that the model stays in its senses.
var catalogue = [...]KindOf{
	{Undersized, "fan", "the fan is too small for its duct", "the part of its pressure that is left", 0.01, 1},
	{Leaking, "fan", "a door or a cap in the riser is left open", "times the leakage of the riser", 0.1, 100},
	{SetpointOutOfReach, "fan", "the setpoint is more than the fan can hold", "times the setpoint", 0.1, 100},
	{DeafWhenIdle, "fan", "it does not start again, whatever it reads", "", 0, 0},
	{RestartOutOfReach, "fan", "the reading cannot rise far enough to start it again", "times the restart rise", 0.1, 100},
	{TubeOff, "fan", "the tube of the sensor has come off; it reads room air", "", 0, 0},
	{ProbeWrongSide, "fan", "the probe is on the other side of the fan", "", 0, 0},
	{TubesSwapped, "fan", "the two tubes of the sensor are swapped", "", 0, 0},
	{SignLost, "fan", "the registers lose the sign of the pressure; the controller does not", "", 0, 0},
	{OverFast, "fan", "the controller responds too fast and hunts", "times as fast as it should", 0.1, 1000},
	{ContactOpen, "fan", "the high-speed contact stays open", "", 0, 0},
	{ContactClosed, "fan", "the high-speed contact stays closed", "", 0, 0},
	{ContactThreshold, "fan", "the high-speed contact makes at the wrong speed", "the speed as a ratio", 0.001, 1},
	{MotorOff, "fan", "the motor does not turn, whatever is commanded", "", 0, 0},
	{Tripped, "fan", "the controller has stopped the fan by a fault of its own", "", 0, 0},
	{NotPermitted, "fan", "the fan is not permitted to run", "", 0, 0},
	{SensorFrozen, "fan", "the sensor repeats one value", "", 0, 0},
	{SensorDrifting, "fan", "the sensor drifts", "Pa an hour (m3/s an hour of a fan that measures its airflow itself)", -1000, 1000},
	{SensorOutOfRange, "fan", "the sensor stands at the end of its range", "which end: below 0 the one away from the setpoint", -1, 1},
	{LeftInHand, "fan", "the fan is left in hand", "the speed as a ratio (0.001 stands still)", 0.001, 1},
	{ShortCycling, "fan", "the fan starts again as soon as it is idle", "", 0, 0},
	{SlowLoading, "fan", "the riser needs more and more", "growth of the leakage a week, as a part of itself", 0.01, 100},
	{SettingsChanged, "fan", "the setpoint is changed at the panel", "times the setpoint", 0.1, 10},
	{MinSpeedRaised, "fan", "the lowest speed is raised at the panel", "the speed as a ratio", 0.001, 1},
	{Crowded, "fan", "everyone behind the riser uses it at once; the fan is well", "times all that its branches let in", 0.01, 10},
	{SilentUnit, "fan", "its controller does not answer the gateway", "", 0, 0},
	{ObjectFault, "fan", "its BACnet device says that the pressure (or airflow) is not reliable", "", 0, 0},
	{OutOfService, "fan", "its BACnet device has the pressure (or airflow) out of service", "", 0, 0},
	{Overridden, "fan", "its BACnet device says that the speed is overridden by hand", "", 0, 0},
	{WrongUnit, "fan", "its BACnet device states another unit for the pressure (or airflow) than it gives it in", "", 0, 0},
	{PolarityTurned, "fan", "its BACnet device has the polarity of the high-speed contact the wrong way round", "", 0, 0},
	{RefusesMultiple, "fan", "its BACnet device refuses to read several properties at once", "how: 1 by an error, 2 by a reject, 3 by an abort", 1, 3},
	{SmallAPDU, "fan", "its BACnet device takes short messages only, and sends no segments", "bytes of a message", 50, 1476},
	{RefusesSubscriptions, "fan", "its BACnet device does not tell of changes", "", 0, 0},
	{Moved, "fan", "its BACnet device stands at another address", "", 0, 0},
	{TrunkCut, "gateway", "it answers, and hears none of its units", "", 0, 0},
	{GatewayOff, "gateway", "it has no power: connections are refused", "", 0, 0},
	{SlowLine, "gateway", "it answers later than it could", "seconds (half of its time-out if not given)", 0.001, 30},
	{RepeatsOld, "gateway", "it repeats what it last read", "", 0, 0},
	{ZeroFills, "gateway", "it shows zeros for the units that it has lost, or for all if it has lost none otherwise", "", 0, 0},
	{AnswersLate, "gateway", "one answer in five comes after the time-out", "", 0, 0},
	{ResetsConnections, "gateway", "it breaks the connection in the middle of one answer in ten", "", 0, 0},
	{LimitsConnections, "gateway", "it takes one connection at a time", "", 0, 0},
	{SendsGarbage, "gateway", "one answer in five makes no sense", "", 0, 0},
	{LosesDatagrams, "gateway", "datagrams are lost on its BACnet network, either way", "the share that is lost (0.2 if not given)", 0.001, 1},
	{AnswersTwice, "gateway", "every answer of its BACnet devices comes twice", "", 0, 0},
}
