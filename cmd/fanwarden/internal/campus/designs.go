package campus

import "fmt"

// design is a kind of building, before it has a name.
type design struct {
	kind     string
	gateway  Gateway
	oneTable bool // its fans lie in one table of one unit
	device   int  // instance of its first fan's BACnet device, the others follow; 0: of a Modbus gateway
	fans     []Fan
	trouble  *trouble // of the gateway
}

// designs are the seven buildings of 50 fans, in the order in which a campus
// grows.
func designs() []design {
	return []design{hall(), science(), dining(), garage(), court(), lodge(), boathouse()}
}

// hall is a student hall of four floors: small controllers on its roof behind a
// serial device server.
func hall() design {
	return design{
		kind: "Hall", gateway: Gateway{Scheme: "rtuovertcp", LineBaud: 38400},
		fans: []Fan{
			bath("A", "rooms 101 to 118"),
			bath("B", "rooms 119 to 136"),
			bath("C", "rooms 201 to 218"),
			bath("D", "rooms 219 to 236").with(deaf()),
			laundry("basement west"),
			laundry("basement east").with(swapped()),
			dryers("floors 1 and 2").with(leakingDoor()),
			dryers("floors 3 and 4"),
			bath("E", "rooms 301 to 318").with(silent()),
			bath("F", "rooms 319 to 336"),
			bath("G", "rooms 401 to 418"),
			bath("H", "rooms 419 to 436"),
		},
	}
}

// science is a laboratory building whose master controller lays all its fans
// out in one table.
func science() design {
	return design{
		kind: "Science Building", gateway: Gateway{Scheme: "tcp"}, oneTable: true,
		fans: []Fan{
			hoods("1", "teaching laboratories", "hoods-1", "lead"),
			hoods("1", "teaching laboratories", "hoods-1", "standby"),
			hoods("2", "chemistry, floors 2 and 3", "hoods-2", "lead"),
			hoods("2", "chemistry, floors 2 and 3", "hoods-2", "standby"),
			airflow("Chemical store", "900 cfm", "0.05 m2"),
			airflow("Animal rooms", "1200 cfm", "0.07 m2"),
			airflow("Gas cylinder room", "700 cfm", "0.04 m2").with(looseBelt()),
			airflow("Cold rooms", "800 cfm", "0.045 m2"),
			general("Offices, floor 1"),
			general("Offices, floor 2"),
			general("Offices, floor 3").with(inHand()),
			general("Lecture rooms"),
		},
	}
}

// dining is a dining hall: kitchen hoods that follow the meals.
func dining() design {
	return design{
		kind: "Dining Hall", gateway: Gateway{Scheme: "tcp", LineBaud: 19200},
		fans: []Fan{
			kitchen("Main cooking line"),
			kitchen("Grill").with(greasyWheel()),
			kitchen("Bakery"),
			kitchen("Dishwashing"),
			kitchen("Servery west"),
			kitchen("Servery east"),
		},
	}
}

// garage is a parking garage with fans in pairs.
func garage() design {
	return design{
		kind: "Garage", gateway: Gateway{Scheme: "rtuovertcp", LineBaud: 19200},
		fans: []Fan{
			cars("Level 1 north", "level-1"), cars("Level 1 south", "level-1"),
			cars("Level 2 north", "level-2"), cars("Level 2 south", "level-2"),
			cars("Level 3 north", "level-3"), cars("Level 3 south", "level-3"),
		},
	}
}

// court is an older hall that was renewed: every fan is a BACnet device on one
// network behind a router.
func court() design {
	d := design{
		kind: "Court", gateway: Gateway{Scheme: "bacnet"}, device: 1201,
		fans: []Fan{
			bath("A", "stair 1"),
			bath("B", "stair 2").with(restless()),
			bath("C", "stair 3"),
			bath("D", "stair 4"),
			bath("E", "stair 5"),
			laundry("cellar"),
			laundry("courtyard").with(turnedPolarity()),
			dryers("stairs 1 to 3"),
			dryers("stairs 4 and 5"),
			bath("F", "guest rooms"),
		},
	}
	for i := range d.fans {
		d.fans[i].PointMap = "objects"
	}
	return d
}

// lodge is a gatehouse whose gateway lives and whose serial line is cut.
func lodge() design {
	return design{
		kind: "Lodge", gateway: Gateway{Scheme: "tcp", LineBaud: 9600}, trouble: cutLine(),
		fans: []Fan{bath("A", "porters' rooms"), laundry("back yard")},
	}
}

// boathouse is a small building whose gateway lost its power.
func boathouse() design {
	return design{
		kind: "Boathouse", gateway: Gateway{Scheme: "tcp", LineBaud: 9600}, trouble: noPower(),
		fans: []Fan{bath("A", "changing rooms"), dryers("drying room")},
	}
}

func (f Fan) with(t *trouble) Fan {
	f.trouble = t
	return f
}

// bath is a bath riser of a building of four floors: it goes idle when nobody
// runs a branch fan, and starts again when somebody does.
func bath(riser, rooms string) Fan {
	return Fan{PointMap: "roof", Name: "Bath riser " + riser, Location: "Roof", Serves: "Baths of " + rooms, Duty: "bath",
		Probe: "suction", Setpoint: "-0.12 inH2O", MinSpeed: "20 %", IdleBelow: "20 %", RunOn: "30s",
		RestartRise: "0.18 inH2O", HighSpeedAt: "80 %", Override: "60 %", ProbeRange: "-500..500 Pa",
		RiserHeight: "12 m", Reference: "indoor", RatedPower: "250 W"}
}

func laundry(where string) Fan {
	return Fan{PointMap: "roof", Name: "Laundry " + where, Location: "Roof", Serves: "Washing room, " + where, Duty: "laundry",
		Probe: "suction", Setpoint: "-0.15 inH2O", MinSpeed: "25 %", HighSpeedAt: "75 %", Override: "70 %",
		ProbeRange: "-1000..1000 Pa", RiserHeight: "15 m", Reference: "indoor", RatedPower: "0.75 hp"}
}

// dryers is a shaft that many dryers blow into.
func dryers(where string) Fan {
	return Fan{PointMap: "roof", Name: "Dryer shaft, " + where, Location: "Roof", Serves: "Dryers of " + where, Duty: "dryer_shaft",
		Probe: "suction", Setpoint: "-0.20 inH2O", MinSpeed: "20 %", HighSpeedAt: "80 %",
		ProbeRange: "-500..500 Pa", RiserHeight: "14 m", Reference: "indoor", RatedPower: "750 W"}
}

func hoods(n, serves, group, role string) Fan {
	return Fan{PointMap: "bench", Name: fmt.Sprintf("Fume hoods %s, %s", n, role), Location: "Plant room", Serves: "Hoods of the " + serves,
		Duty: "laboratory", Group: group, Role: role, Probe: "suction", Setpoint: "-250 Pa", MinSpeed: "30 %",
		HighSpeedAt: "85 %", ProbeRange: "-1000..250 Pa", RiserHeight: "20 m", Reference: "outdoor", LifeSafety: true}
}

// airflow is a fan that holds an airflow, which a probe tells by its velocity
// pressure.
func airflow(name, flow, area string) Fan {
	return Fan{PointMap: "bench_airflow", Name: name, Location: "Plant room", Serves: name, Duty: "laboratory",
		Controls: "airflow", Setpoint: flow, MinSpeed: "25 %", ProbeArea: area, LifeSafety: true}
}

func general(name string) Fan {
	return Fan{PointMap: "bench", Name: name, Location: "Plant room", Serves: name, Duty: "general",
		Probe: "suction", Setpoint: "-60 Pa", MinSpeed: "20 %", HighSpeedAt: "80 %", Override: "70 %", ProbeRange: "-500..500 Pa",
		RiserHeight: "18 m", Reference: "indoor"}
}

func kitchen(name string) Fan {
	return Fan{PointMap: "kitchen", Name: name, Location: "Roof", Serves: "Hood of the " + name, Duty: "kitchen",
		Probe: "suction", Setpoint: "-12 mmH2O", MinSpeed: "30 %", Override: "90 %", ProbeRange: "-600..600 Pa",
		RiserHeight: "8 m", Reference: "outdoor", RatedRPM: "1750 rpm", RatedPower: "3 kW", LifeSafety: true}
}

// cars is a fan that pushes the air of a parking level out through a duct, with
// its probe behind it.
func cars(level, group string) Fan {
	return Fan{PointMap: "garage", Name: level, Location: "Fan room", Serves: level, Duty: "garage", Group: group, Role: "parallel",
		Probe: "discharge", Setpoint: "80 Pa", MinSpeed: "25 %", HighSpeedAt: "75 %", Override: "100 %",
		ProbeRange: "-500..500 Pa", RatedPower: "1.5 kW", LifeSafety: true}
}
