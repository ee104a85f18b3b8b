package campus

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fanwarden/cmd/fanwarden/internal/daemon"
	"fanwarden/config"
	"fanwarden/rules/condition"
)

var noon = time.Date(2026, 3, 4, 12, 30, 0, 0, time.UTC)

// load writes a campus and reads it as the daemon does.
func load(t *testing.T, fans int) (*Campus, *config.Fleet) {
	t.Helper()
	c, err := New(fans, noon, 48*time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	ports := make([]int, len(c.Buildings))
	for i := range ports {
		ports[i] = 20000 + i
	}
	path := filepath.Join(t.TempDir(), "fleet.toml")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.WriteFleet(f, Places{Listen: "127.0.0.1:0", Ports: ports, Zone: Zone(noon)}); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	fleet, faults, err := daemon.Load(path)
	for _, fault := range faults {
		t.Error(fault)
	}
	if err != nil || len(faults) > 0 {
		t.Fatal("the campus is no good fleet file", err)
	}
	return c, fleet
}

func TestTheCampusIsAFleetFileWithoutFaultsAndWarnings(t *testing.T) {
	for _, fans := range []int{Least, 10, 49, Usual, 500, Most} {
		t.Run(fmt.Sprint(fans), func(t *testing.T) {
			c, fleet := load(t, fans)
			if len(fleet.Fans) != fans || c.Fans() != fans {
				t.Errorf("%d fans in the file, %d on the campus", len(fleet.Fans), c.Fans())
			}
			for _, w := range config.Audit(fleet) {
				t.Error(w)
			}
		})
	}
}

func TestTheUsualCampusShowsWhatThereIsToShow(t *testing.T) {
	c, fleet := load(t, Usual)
	duties, groups, maps := map[config.Duty]int{}, map[string]int{}, map[string]int{}
	schemes, rolesSeen := map[string]int{}, map[config.Role]int{}
	airflow, discharge, slots, heights := 0, 0, 0, 0
	for _, f := range fleet.Fans {
		duties[f.Duty]++
		groups[f.Group]++
		maps[f.PointMap.Name]++
		schemes[f.Gateway.Scheme]++
		rolesSeen[f.Role]++
		if f.ControlsAirflow {
			airflow++
		} else if f.Probe == config.Discharge {
			discharge++
		}
		if f.Slot > 0 {
			slots++
		}
		if f.RiserHeight > 0 && f.Reference != config.UnknownReference {
			heights++
		}
		if f.Name == string(f.ID) || f.Serves == "" || f.Location == "" {
			t.Errorf("%s has no name, or nobody knows where it is or what it serves", f.ID)
		}
	}
	for _, duty := range []config.Duty{config.Bath, config.Laundry, config.Kitchen, config.DryerShaft, config.Garage, config.Laboratory} {
		if duties[duty] == 0 {
			t.Errorf("nothing of duty %s", duty)
		}
	}
	for _, role := range []config.Role{config.Lead, config.Standby, config.Parallel} {
		if rolesSeen[role] == 0 {
			t.Errorf("nothing with the role %s", role)
		}
	}
	if len(maps) < 3 || schemes["tcp"] == 0 || schemes["rtuovertcp"] == 0 || schemes["bacnet"] == 0 {
		t.Errorf("point maps %v, kinds of gateway %v", maps, schemes)
	}
	if airflow == 0 || discharge == 0 || slots == 0 || heights < 30 || len(fleet.Buildings) < 5 {
		t.Errorf("%d airflow, %d discharge, %d slots, %d riser heights, %d buildings", airflow, discharge, slots, heights, len(fleet.Buildings))
	}
	if n := len(c.Troubles); n < Usual/6 || n > Usual/4 {
		t.Errorf("%d troubles among %d fans, want about one in six", n, Usual)
	}
}

// Every condition that is judged today must be there to be seen.
func TestTheUsualCampusHasEveryConditionThatIsJudged(t *testing.T) {
	c, _ := load(t, Usual)
	planted := map[condition.Name]bool{}
	for _, trouble := range c.Troubles {
		planted[trouble.Condition] = true
	}
	for _, name := range []condition.Name{condition.PinnedAtMax, condition.StuckIdle, condition.InvertedSign,
		condition.NoEffect, condition.Hunting, condition.ContactDisagrees, condition.OverrideLeftOn,
		condition.ControllerSilent, condition.LineSilent, condition.GatewayDown} {
		if !planted[name] {
			t.Errorf("nothing on the campus shows %s", name)
		}
	}
	for name := range planted {
		if _, known := condition.Find(name); !known {
			t.Errorf("%q is no condition", name)
		}
	}
}

func TestATroubleIsOfAFanOrGatewayOfTheFleetAndBeganInThePast(t *testing.T) {
	const past = 48 * time.Hour
	for _, fans := range []int{10, Usual, 500} {
		c, fleet := load(t, fans)
		known := map[string]bool{}
		for _, f := range fleet.Fans {
			known[string(f.ID)] = true
		}
		for _, g := range fleet.Gateways {
			known[string(g.ID)] = true
		}
		seen := map[string]bool{}
		for _, trouble := range c.Troubles {
			f := trouble.Fault
			id := string(f.Fan) + string(f.Gateway)
			if !known[id] || (f.Fan == "") == (f.Gateway == "") || seen[id] {
				t.Errorf("a trouble of %q", id)
			}
			seen[id] = true
			if !f.From.After(noon.Add(-past)) || !f.From.Before(noon) || !f.Until.IsZero() {
				t.Errorf("%s: from %s to %s", id, f.From, f.Until)
			}
			if trouble.Wrong == "" || trouble.See == "" || trouble.Name == "" {
				t.Errorf("%s: nobody is told what is wrong: %+v", id, trouble)
			}
		}
	}
}

func TestIdsAndNamesOfBuildingsComeOnce(t *testing.T) {
	c, _ := load(t, Most)
	ids, all := map[string]bool{}, map[string]bool{}
	for _, b := range c.Buildings {
		if ids[b.ID] || all[b.Name] {
			t.Errorf("building %q, %q comes twice", b.ID, b.Name)
		}
		ids[b.ID], all[b.Name] = true, true
	}
}

func TestACampusHasItsLimits(t *testing.T) {
	for _, fans := range []int{-1, 0, Least - 1, Most + 1} {
		if _, err := New(fans, noon, time.Hour); err == nil || !strings.Contains(err.Error(), fmt.Sprint(Most)) {
			t.Errorf("%d fans: %v", fans, err)
		}
	}
}

func TestItIsAboutSixInTheEveningOnTheCampus(t *testing.T) {
	for hour := range 24 {
		now := time.Date(2026, 7, 1, hour, 59, 0, 0, time.UTC)
		zone, err := time.LoadLocation(Zone(now))
		if err != nil {
			t.Errorf("at %d: %v", hour, err)
			continue
		}
		if there := now.In(zone).Hour(); there != evening {
			t.Errorf("at %d UTC it is %d in %s", hour, there, zone)
		}
	}
}

func TestTheFileNeedsAPortForEveryGateway(t *testing.T) {
	c, err := New(Usual, noon, time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.WriteFleet(&strings.Builder{}, Places{Ports: []int{1}}); err == nil {
		t.Error("one port for seven gateways")
	}
}

func TestAHealthyFanToTryThingsOn(t *testing.T) {
	for _, fans := range []int{Least, 10, Usual} {
		c, _ := load(t, fans)
		f := c.Healthy()
		if f.ID == "" || fans > Least && f.IdleBelow != "" {
			t.Errorf("of %d fans: %q, which idles below %q", fans, f.ID, f.IdleBelow)
		}
		for _, trouble := range c.Troubles {
			if string(trouble.Fault.Fan) == f.ID {
				t.Errorf("%s is in trouble", f.ID)
			}
		}
	}
}
