package config

import (
	"io/fs"
	"math"
	"os"
	"reflect"
	"testing"
	"time"

	"fanwarden/poller/bacnet"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// full loads testdata/full; the file that its absolute path names is there.
func full(t *testing.T) (*Fleet, *reader) {
	t.Helper()
	const path = "testdata/full/fleet.toml"
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	open := func(name string) ([]byte, error) {
		if name == "/etc/ssl/ca.pem" {
			return nil, fs.ErrPermission // there, and not ours to read
		}
		return os.ReadFile(name)
	}
	r := &reader{asked: make(map[string]map[string]bool)}
	fleet := r.parse(path, text, open, nil)
	for _, f := range r.sorted() {
		t.Error(f)
	}
	if t.Failed() {
		t.FailNow()
	}
	return fleet, r
}

func unit(name string) units.Unit {
	u, _ := units.Find(name)
	return u
}

func same[T any](t *testing.T, what string, got, want T) {
	t.Helper()
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%s:\n got %+v\nwant %+v", what, got, want)
	}
}

func TestFullFleet(t *testing.T) {
	fleet, _ := full(t)
	same(t, "name", fleet.Name, "Harbor College")
	same(t, "poll_every", fleet.PollEvery, 10*time.Second)
	same(t, "stale_after", fleet.StaleAfter, 45*time.Second)
	same(t, "timezone", fleet.Location.String(), "America/Chicago")
	same(t, "units", fleet.Units, units.Imperial)
	same(t, "web", fleet.Web, Web{Listen: ":9641", URL: "https://fans.example.edu", TLSCert: "testdata/full/tls/cert.pem",
		TLSKey: "testdata/full/tls/key.pem", Users: map[string]string{"kim": "$2a$12$xI8AXplTlzrhBO/N2rXDZulXqgPhmzewjpaktLB1Re3GM4.di10fi"},
		Tokens:            map[string]string{"dashboard": "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"},
		ReadingNeedsLogin: true})
	same(t, "store", fleet.Store, Store{Dir: "/var/lib/fanwarden", Keep: 60 * 24 * time.Hour, KeepMB: 4000})
	same(t, "buildings", fleet.Buildings, []*Building{{"alder", "Alder Hall"}, {"birch", "birch"}})

	rules := condition.Defaults()
	rules[condition.PinnedAtMax] = condition.Setting{Enabled: true, Hold: 30 * time.Minute, Severity: condition.Page, Own: map[string]float64{}}
	rules[condition.InvertedSign].Own[condition.BeyondPushes] = 0.4 * 249.08891
	rules[condition.InvertedSign].Own[condition.MirroredHold] = 1800
	rules[condition.StuckIdle].Own[condition.StepHold] = 900
	rules[condition.StuckIdle].Own[condition.IdleAtMost] = 172800
	rules[condition.OverrideLeftOn].Own[condition.OverrideAtMost] = 28800
	rules[condition.SensorFrozen].Own[condition.FlatHold] = 10800
	rules[condition.SensorOutOfRange].Own[condition.DemandHold] = 2700
	rules[condition.NoEffect].Own[condition.ProvenHold] = 900
	rules[condition.CreepingLoad].Own[condition.CreepPoints] = 0.08
	same(t, "rules", fleet.Rules, rules)
}

func TestFullNotify(t *testing.T) {
	fleet, _ := full(t)
	if fleet.Notify.Ways[1].Roots == nil {
		t.Error("the authority of the mail server was not read")
	}
	for _, w := range fleet.Notify.Ways {
		w.line, w.Roots = 0, nil
	}
	var weekdays, weekend Hours
	weekdays.Days, weekend.Days = [7]bool{1: true, 2: true, 3: true, 4: true, 5: true}, [7]bool{0: true, 6: true}
	weekdays.From, weekdays.Until, weekend.Until = 18*time.Hour, 31*time.Hour, 24*time.Hour
	same(t, "heartbeat", *fleet.Notify.Heartbeat, Heartbeat{"https://watch.example.edu/beat/campus", 2 * time.Minute})
	same(t, "runbooks", fleet.Notify.Runbooks, "https://wiki.example.edu/fans")
	same(t, "ways", len(fleet.Notify.Ways), 3)
	same(t, "pager", fleet.Notify.Ways[0], &Way{ID: "pager", Webhook: "https://pager.example.edu/in?team=roofs", Secret: []byte("an invented secret"),
		Severities: []condition.Severity{condition.Page, condition.Ticket}, Buildings: []reading.BuildingID{"alder"}, Hours: []Hours{weekdays, weekend}})
	same(t, "desk", fleet.Notify.Ways[1], &Way{ID: "desk", Mail: &Mail{Server: "mail.example.edu:587", From: "fanwarden@example.edu",
		To: []string{"desk@example.edu", "roofs@example.edu"}, StartTLS: true, User: "fanwarden", Password: "an invented password"},
		Severities: []condition.Severity{condition.Page}, Returned: true})
	same(t, "spool", fleet.Notify.Ways[2], &Way{ID: "spool", Mail: &Mail{Server: "localhost:25", From: "fanwarden@example.edu",
		To: []string{"fans@localhost.localdomain"}}, Severities: []condition.Severity{condition.Page}, Returned: true})
}

func TestFullPointMaps(t *testing.T) {
	fleet, _ := full(t)
	same(t, "point maps", len(fleet.PointMaps), 4)
	same(t, "bank", fleet.PointMaps[0], &PointMap{Name: "bank", Protocol: Modbus, Stride: 20, AbsentIfAllZero: true, Points: []MappedPoint{
		{Point: reading.Pressure, Table: decode.Input, Address: 0, Stride: 20, Encoding: decode.Encoding{Type: decode.Int32,
			Order: decode.CDAB, Bit: decode.NoBit, Scale: 0.001, Offset: -0.5, Unit: unit("inH2O"), Invalid: []uint32{0x80000000, 0x7FFFFFFF}}},
		{Point: reading.Speed, Table: decode.Input, Address: 2, Stride: 20, Encoding: decode.Encoding{Type: decode.Uint16,
			Bit: decode.NoBit, Scale: 1, Unit: unit("rpm"), Invalid: []uint32{65535}}},
		{Point: reading.HighSpeed, Table: decode.Discrete, Address: 16, Stride: 1, Encoding: decode.Encoding{Type: decode.Bool,
			Bit: decode.NoBit, Scale: 1, Invert: true}},
		{Point: reading.Proof, Table: decode.Coil, Address: 4, Stride: 20, Device: 9, Encoding: decode.Encoding{Type: decode.Bool,
			Bit: decode.NoBit, Scale: 1}},
		{Point: reading.Fault, Table: decode.Holding, Address: 100, Stride: 20, Shared: true, Encoding: decode.Encoding{Type: decode.Uint16,
			Bit: 3, Scale: 1}},
	}})
	same(t, "flow", len(fleet.PointMaps[1].Points), 3)
}

func TestFullGateways(t *testing.T) {
	fleet, _ := full(t)
	for _, g := range fleet.Gateways {
		g.origin = origin{}
	}
	alder, birch := fleet.Buildings[0], fleet.Buildings[1]
	same(t, "rtuovertcp", fleet.Gateways[0], &Gateway{ID: "alder-roof", Building: alder, URL: "rtuovertcp://10.20.3.20:4001",
		Scheme: "rtuovertcp", Address: "10.20.3.20:4001", Timeout: 400 * time.Millisecond, PollEvery: 15 * time.Second,
		StaleAfter: time.Minute, MaxGap: 0, MaxRegisters: 32, Pause: 20 * time.Millisecond, LateReply: 2 * time.Second, Unit: 1, LineBaud: 9600})
	same(t, "rtu", fleet.Gateways[1], &Gateway{ID: "birch-line", Building: birch, URL: "rtu:///dev/ttyUSB0", Scheme: "rtu",
		Address: "/dev/ttyUSB0", Timeout: 800 * time.Millisecond, PollEvery: 10 * time.Second, StaleAfter: 45 * time.Second, MaxGap: 8,
		MaxRegisters: 125, LateReply: 1600 * time.Millisecond, Unit: 1, Baud: 38400, DataBits: 8, Parity: "even", StopBits: 1})
	master := fleet.PointMaps[2]
	same(t, "tcp+tls", fleet.Gateways[2], &Gateway{ID: "birch-plant", Building: birch, URL: "tcp+tls://Plant.example", Scheme: "tcp+tls",
		Address: "Plant.example:802", Timeout: 800 * time.Millisecond, PollEvery: 10 * time.Second, StaleAfter: 45 * time.Second, MaxGap: 8,
		MaxRegisters: 125, PointMap: master, Unit: 255, TLSCert: "testdata/full/tls/cert.pem", TLSKey: "testdata/full/tls/key.pem",
		TLSCA: "/etc/ssl/ca.pem", Points: []PlacedPoint{
			{Point: reading.HeardAgo, Unit: 255, Table: decode.Input, Address: 100, Encoding: master.Points[0].Encoding},
			{Point: reading.Heartbeat, Unit: 250, Table: decode.Input, Address: 101, Encoding: master.Points[1].Encoding}}})
}

func TestFullBACnet(t *testing.T) {
	fleet, _ := full(t)
	g := fleet.Gateways[3]
	g.origin = origin{}
	same(t, "gateway", g, &Gateway{ID: "cedar-bus", Building: fleet.Buildings[1], URL: "bacnet://10.20.3.255", Scheme: "bacnet",
		Address: "10.20.3.255:47808", Timeout: 500 * time.Millisecond, PollEvery: 10 * time.Second, StaleAfter: 45 * time.Second,
		LocalPort: 47808, ForeignDevice: true, COV: true})
	if !g.BACnet() || g.Protocol() != BACnet || fleet.Gateways[0].BACnet() || fleet.Gateways[0].Protocol() != Modbus {
		t.Error("the protocol of a gateway")
	}
	present := func(kind bacnet.ObjectType, instance uint32) bacnet.Reference {
		return bacnet.Reference{Object: bacnet.ObjectID{Type: kind, Instance: instance}, Property: bacnet.PresentValue}
	}
	number := func(scale, offset float64, name string) decode.Encoding {
		return decode.Encoding{Type: decode.Float32, Bit: decode.NoBit, Scale: scale, Offset: offset, Unit: unit(name)}
	}
	contact := decode.Encoding{Type: decode.Bool, Bit: decode.NoBit, Scale: 1}
	inverted, pressure := contact, number(0.5, 0.25, "Pa")
	inverted.Invert = true
	pressure.Invalid = []uint32{0xC479F99A, 0x437F0000} // IEEE 754 singles of -999.9 and 255
	hours := bacnet.Reference{Object: bacnet.ObjectID{Type: bacnet.BinaryOutput, Instance: 124}, Property: 33, Indexed: true, Index: 1}
	same(t, "points", fleet.Fans[2].Points, []PlacedPoint{
		{Point: reading.Pressure, Unit: 1201, Encoding: pressure, Object: present(bacnet.AnalogInput, 123), DeviceUnit: 58, HasDeviceUnit: true},
		{Point: reading.Speed, Unit: 1201, Encoding: number(1, 0, "%"), Object: present(bacnet.AnalogOutput, 121)},
		{Point: reading.HighSpeed, Unit: 1201, Encoding: inverted, Object: present(bacnet.BinaryInput, 102)},
		{Point: reading.Setpoint, Unit: 4194302, Encoding: number(1, 0, "Pa"), Object: present(bacnet.AnalogValue, 9)},
		{Point: reading.Running, Unit: 1201, Encoding: contact, Object: present(bacnet.MultiStateValue, 124), States: []uint32{2, 3}},
		{Point: reading.RunHours, Unit: 1201, Encoding: number(1, 0, "s"), Object: hours},
		{Point: reading.ForceSpeed, Unit: 1201, Encoding: number(1, 0, "%"), Object: present(bacnet.AnalogValue, 125), Priority: 10},
	})
	if p, _ := fleet.Fans[2].Placed(reading.RunHours); p.Where() != "binary-output,124 elapsed-active-time[1]" || !p.BACnet() || p.Words() != 2 {
		t.Errorf("run hours at %s", p.Where())
	}
	if p, _ := fleet.Fans[0].Placed(reading.Pressure); p.Where() != "input 260" || p.BACnet() {
		t.Errorf("pressure at %s", p.Where())
	}
}

func TestFullFans(t *testing.T) {
	fleet, _ := full(t)
	if len(fleet.Fans) != 5 {
		t.Fatalf("%d fans", len(fleet.Fans))
	}
	for _, f := range fleet.Fans {
		f.origin, f.given = origin{}, 0
	}
	bank := fleet.PointMaps[0]
	release, abort := -1.0, 400.0
	rules := fleet.Rules.Clone()
	setting := rules[condition.PinnedAtMax]
	setting.Hold = 90 * time.Minute
	rules[condition.PinnedAtMax] = setting
	speed := bank.Points[1].Encoding
	speed.Unit = units.Unit{Name: "rpm", Dimension: units.Ratio, Factor: 1.0 / 1750}
	want := &Fan{ID: "alder-ef1", Gateway: fleet.Gateways[0], Building: fleet.Buildings[1], PointMap: bank, Unit: 4, Base: 200, Slot: 3,
		Points: []PlacedPoint{
			{Point: reading.Pressure, Unit: 4, Table: decode.Input, Address: 260, Encoding: bank.Points[0].Encoding},
			{Point: reading.Speed, Unit: 4, Table: decode.Input, Address: 262, Encoding: speed},
			{Point: reading.HighSpeed, Unit: 4, Table: decode.Discrete, Address: 219, Encoding: bank.Points[2].Encoding},
			{Point: reading.Proof, Unit: 9, Table: decode.Coil, Address: 264, Encoding: bank.Points[3].Encoding},
			{Point: reading.Fault, Unit: 4, Table: decode.Holding, Address: 100, Encoding: bank.Points[4].Encoding},
		},
		Name: "Bath risers 1-4", Location: "Roof, north end", Serves: "Rooms 101 to 148", Duty: Bath, Group: "riser-1", Role: Lead,
		Setpoint: -0.12 * 249.08891, HasSetpoint: true, MinSpeed: 0.25, MaxSpeed: 0.95, GoesIdle: true, IdleBelow: 0.26,
		RunOn: 90 * time.Second, HasRestartRise: true, RestartRise: 0.18 * 249.08891, StartDelay: 4 * time.Second, StoppedBelow: 0.04,
		HasOverride: true, OverrideSpeed: 0.6, HasHighSpeed: true, HighSpeedAt: 0.8, HighSpeedOffAt: 0.75, HighSpeedDelay: 10 * time.Second,
		HasProbeRange: true, ProbeLow: -500, ProbeHigh: 500, Reference: Outdoor, RiserHeight: 3.048, ProbeFactor: 1, AirDensity: 1.20138,
		RatedPower: 1.5 * 745.69987, RatedRPM: 1750, AllowExercise: true, ForceRelease: &release, AbortPressure: &abort, ExerciseAtMost: 8 * time.Minute,
		InService: time.Date(2026, 1, 31, 0, 0, 0, 0, fleet.Location), Rules: rules}
	near(t, fleet.Fans[0], want)
	same(t, "pressure fan", fleet.Fans[0], want)

	flow := fleet.Fans[1]
	if !flow.ControlsAirflow || flow.HasSetpoint || !flow.LifeSafety || flow.ProbeArea != 0.25 || flow.ProbeFactor != 0.81 ||
		flow.ProbeHigh != 2 || math.Abs(flow.AirDensity-1.1213) > 1e-4 || len(flow.Points) != 3 ||
		flow.Points[2].Encoding.Unit != unit("cfm") || !flow.InService.Equal(time.Date(2025, 12, 1, 0, 0, 0, 0, fleet.Location)) {
		t.Errorf("airflow fan: %+v", flow)
	}
}

// near takes over from got what differs from want by rounding alone.
func near(t *testing.T, got, want *Fan) {
	t.Helper()
	for _, pair := range [][2]*float64{{&got.Setpoint, &want.Setpoint}, {&got.RestartRise, &want.RestartRise},
		{&got.MaxSpeed, &want.MaxSpeed}, {&got.MinSpeed, &want.MinSpeed}, {&got.RiserHeight, &want.RiserHeight},
		{&got.RatedPower, &want.RatedPower}, {&got.IdleBelow, &want.IdleBelow}, {&got.OverrideSpeed, &want.OverrideSpeed},
		{&got.HighSpeedAt, &want.HighSpeedAt}, {&got.HighSpeedOffAt, &want.HighSpeedOffAt}} {
		if math.Abs(*pair[0]-*pair[1]) > 1e-9*math.Abs(*pair[1]) {
			t.Errorf("%v, want %v", *pair[0], *pair[1])
		}
		*pair[1] = *pair[0]
	}
}

func TestFullRoster(t *testing.T) {
	fleet, _ := full(t)
	garage, bath := fleet.Fans[3], fleet.Fans[4]
	if garage.ID != "birch-ef2" || garage.Probe != Discharge || garage.Setpoint != 25 || !garage.LifeSafety || garage.Unit != 7 ||
		garage.Serves != "Garage, level 2" || garage.Building.ID != "birch" || garage.Name != "birch-ef2" || garage.MinSpeed != 0.2 ||
		garage.MaxSpeed != 1 || garage.StartDelay != 3*time.Second || garage.RunOn != 30*time.Second || garage.GoesIdle {
		t.Errorf("%+v", garage)
	}
	if bath.ID != "birch-ef3" || bath.Slot != 1 || bath.Rules[condition.Hunting].Enabled || !garage.Rules[condition.Hunting].Enabled {
		t.Errorf("%+v", bath)
	}
	if file, line := bath.Place(); file != "testdata/full/fans.csv" || line != 4 {
		t.Errorf("%s:%d", file, line)
	}
	if file, line := fleet.Fans[1].Place(); file != "testdata/full/fleet.toml" || line != 263 {
		t.Errorf("%s:%d", file, line)
	}
}
