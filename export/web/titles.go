package web

import "fanwarden/poller/reading"

// titles are the points and settings in words.
var titles = [reading.Points]string{
	reading.Pressure:           "Pressure at the probe",
	reading.Airflow:            "Airflow",
	reading.VelocityPressure:   "Velocity pressure",
	reading.Speed:              "Speed",
	reading.HighSpeed:          "High-speed contact",
	reading.Setpoint:           "Setpoint",
	reading.Enable:             "Permitted to run",
	reading.Running:            "Runs, as its controller says",
	reading.Proof:              "Runs, as a switch proves",
	reading.Override:           "Override input",
	reading.Fault:              "Fault contact",
	reading.RPM:                "Speed of rotation",
	reading.Power:              "Power drawn",
	reading.Energy:             "Energy used",
	reading.RunHours:           "Hours run",
	reading.MinSpeed:           "Lowest speed",
	reading.MaxSpeed:           "Highest speed",
	reading.IdleBelow:          "Goes idle at or below",
	reading.RunOn:              "Runs on before it goes idle",
	reading.RestartRise:        "Restarts at a rise of",
	reading.StartDelay:         "Delay before it starts",
	reading.StoppedBelow:       "Taken as stopped below",
	reading.OverrideSpeed:      "Speed that the override forces",
	reading.HighSpeedAt:        "High-speed contact makes at",
	reading.HighSpeedOffAt:     "High-speed contact breaks below",
	reading.HighSpeedDelay:     "Delay of the high-speed contact",
	reading.ForceSpeed:         "Speed to force",
	reading.ForceOn:            "Take the forced speed",
	reading.HeardAgo:           "Last heard by its gateway",
	reading.Heartbeat:          "Heartbeat",
	reading.OutdoorTemperature: "Outdoor temperature",
}
