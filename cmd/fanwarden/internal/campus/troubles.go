package campus

import (
	"fanwarden/poller/field"
	"fanwarden/rules/condition"
)

func leakingDoor() *trouble {
	return &trouble{kind: field.Leaking, onset: 0.4, condition: condition.PinnedAtMax,
		wrong: "somebody left the riser's access door open",
		see:   "flat out and short of its setpoint"}
}

func deaf() *trouble {
	return &trouble{kind: field.DeafWhenIdle, onset: 0.1, condition: condition.StuckIdle,
		wrong: "its controller does not start it again once it was idle",
		see:   "stopped, with its pressure past the restart point"}
}

func swapped() *trouble {
	return &trouble{kind: field.TubesSwapped, onset: 0.3, condition: condition.InvertedSign,
		wrong: "the tubes of its pressure sensor were swapped",
		see:   "flat out, reading its pressure with the wrong sign"}
}

func silent() *trouble {
	return &trouble{kind: field.SilentUnit, onset: 0.6, condition: condition.ControllerSilent,
		wrong: "its controller does not answer, and its neighbours on the line do",
		see:   "no values; the others behind the same gateway go on"}
}

func greasyWheel() *trouble {
	return &trouble{kind: field.Undersized, size: 0.14, onset: 0.5, condition: condition.PinnedAtMax,
		wrong: "grease on its wheel takes most of its strength",
		see:   "flat out and short of its setpoint"}
}

func cutLine() *trouble {
	return &trouble{kind: field.TrunkCut, onset: 0.7, condition: condition.LineSilent,
		wrong: "the serial line is cut right behind the gateway",
		see:   "one condition for the line and none for its fans, which it explains"}
}

func noPower() *trouble {
	return &trouble{kind: field.GatewayOff, onset: 0.8, condition: condition.GatewayDown,
		wrong: "the gateway has lost its power",
		see:   "one condition for the gateway and none for its fans, which it explains"}
}

func restless() *trouble {
	return &trouble{kind: field.OverFast, onset: 0.5, condition: condition.Hunting,
		wrong: "its controller responds much too fast",
		see:   "speed and pressure that swing and do not settle"}
}

func turnedPolarity() *trouble {
	return &trouble{kind: field.PolarityTurned, onset: 0.5, condition: condition.ContactDisagrees,
		wrong: "somebody turned the polarity of its high-speed contact in the BACnet device",
		see:   "the contact is closed while the fan is slow"}
}

func inHand() *trouble {
	return &trouble{kind: field.LeftInHand, onset: 0.3, condition: condition.OverrideLeftOn,
		wrong: "somebody left it in hand after a repair",
		see:   "forced to one speed, whatever it reads"}
}

func looseBelt() *trouble {
	return &trouble{kind: field.MotorOff, onset: 0.5, condition: condition.NoEffect,
		wrong: "its belt is off: the motor is commanded and the wheel does not turn",
		see:   "commanded flat out, and no airflow comes of it"}
}
