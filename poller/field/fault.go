package field

import (
	"time"

	"fanwarden/poller/reading"
)

// Kind is a kind of trouble that a fan or a gateway can be given.
type Kind string

// The troubles of a fan. Size means what each line says; 0 takes a size that
// shows clearly, so a speed of 0 cannot be given: 0.001 is as good as none.
// Catalogue bounds the sizes.
const (
	Undersized         Kind = "undersized"            // the fan gives only Size of its pressure
	Leaking            Kind = "leaking"               // a door or a cap left open: Size times the riser's leakage
	SetpointOutOfReach Kind = "setpoint_out_of_reach" // Size times the setpoint
	DeafWhenIdle       Kind = "deaf_when_idle"        // does not start again, whatever it reads
	RestartOutOfReach  Kind = "restart_out_of_reach"  // Size times the restart rise
	TubeOff            Kind = "tube_off"              // the sensor breathes room air
	ProbeWrongSide     Kind = "probe_wrong_side"      // the tap is on the other side of the fan
	TubesSwapped       Kind = "tubes_swapped"         // the sensor reads with the other sign
	SignLost           Kind = "sign_lost"             // only the registers lose the sign; the controller does not
	OverFast           Kind = "over_fast"             // responds Size times as fast as it should
	ContactOpen        Kind = "contact_open"
	ContactClosed      Kind = "contact_closed"
	ContactThreshold   Kind = "contact_threshold" // the contact makes at speed Size
	MotorOff           Kind = "motor_off"         // commanded, does not turn
	Tripped            Kind = "tripped"           // by the controller's own fault
	NotPermitted       Kind = "not_permitted"
	SensorFrozen       Kind = "sensor_frozen"
	SensorDrifting     Kind = "sensor_drifting"     // by Size Pa an hour
	SensorOutOfRange   Kind = "sensor_out_of_range" // stands at the end of its range on the side of the setpoint; Size below 0: at the other
	LeftInHand         Kind = "left_in_hand"        // runs at speed Size whatever it reads
	ShortCycling       Kind = "short_cycling"       // restarts itself as soon as it is idle
	SlowLoading        Kind = "slow_loading"        // the leakage grows by Size of itself a week
	SettingsChanged    Kind = "settings_changed"    // its setpoint is set to Size times what it was, at the panel
	MinSpeedRaised     Kind = "min_speed_raised"    // its lowest speed is set to Size, at the panel
	Crowded            Kind = "crowded"             // no fault of the fan: Size times all its branches are on
)

// The troubles of a fan's BACnet device. What its objects say of their own values
// is true: no poll takes such a value for one.
const (
	ObjectFault          Kind = "object_fault"          // the object of what it senses says that it cannot be relied on
	OutOfService         Kind = "out_of_service"        // that object is cut off from its sensor
	Overridden           Kind = "overridden"            // the object of its speed is set by hand at the device
	WrongUnit            Kind = "wrong_unit"            // the object of what it senses states another unit than its values have
	PolarityTurned       Kind = "polarity_turned"       // of the high-speed contact's object, which shows the opposite
	RefusesMultiple      Kind = "refuses_multiple"      // reads: by an error, a reject or an abort, Size 1, 2 or 3
	SmallAPDU            Kind = "small_apdu"            // takes and sends Size bytes at a time, and no segments
	RefusesSubscriptions Kind = "refuses_subscriptions" // does not tell of changes
	Moved                Kind = "moved"                 // stands at another address
)

// The troubles of the field between fans and daemon.
const (
	SilentUnit        Kind = "silent_unit"        // of one fan's unit
	TrunkCut          Kind = "trunk_cut"          // the gateway lives, none of its units is heard
	GatewayOff        Kind = "gateway_off"        // refuses connections
	SlowLine          Kind = "slow_line"          // answers Size seconds later than it could
	RepeatsOld        Kind = "repeats_old"        // the gateway repeats what it last read
	ZeroFills         Kind = "zero_fills"         // the gateway shows zeros for units that it has lost
	AnswersLate       Kind = "answers_late"       // one answer in five comes after the time-out
	ResetsConnections Kind = "resets_connections" // breaks the connection in the middle of one answer in ten
	LimitsConnections Kind = "limits_connections" // takes one connection at a time
	SendsGarbage      Kind = "sends_garbage"      // one answer in five makes no sense
	LosesDatagrams    Kind = "loses_datagrams"    // BACnet: the share Size of them, either way
	AnswersTwice      Kind = "answers_twice"      // BACnet: every datagram comes twice
)

// Fault is one trouble from one time to another.
type Fault struct {
	Fan     reading.FanID     // "" for a gateway's
	Gateway reading.GatewayID // "" for a fan's
	Kind    Kind
	From    time.Time // zero: from the beginning
	Until   time.Time // zero: to the end
	Size    float64   // within the kind's range; 0: one that shows clearly
}

// At reports whether the fault is on at a time.
func (f Fault) At(now time.Time) bool {
	return !now.Before(f.From) && (f.Until.IsZero() || now.Before(f.Until))
}
