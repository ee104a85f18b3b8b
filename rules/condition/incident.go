package condition

import (
	"time"

	"fanwarden/poller/reading"
)

// Incident is one thing that went wrong for several fans, or several gateways,
// of one place at about the same time.
type Incident struct {
	ID        string // the same for as long as one of its members stands
	Condition Name
	Building  reading.BuildingID
	Gateway   reading.GatewayID // that all its fans are behind; "" where they are not
	// Of the two one is empty. They are in the order of the fleet file.
	Fans     []reading.FanID
	Gateways []reading.GatewayID
	Since    time.Time // when the evidence of the first began
	Summary  string    // one sentence
	Cause    Cause     // the likeliest that all of them share
}
