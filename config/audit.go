package config

import (
	"fmt"
	"net"
	"sort"

	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// Warning is something that a good fleet file says and that will most likely
// not do what was meant. It keeps nothing from running.
type Warning struct {
	File   string
	Line   int           // from 1
	Fan    reading.FanID // "" where it is not one fan's
	What   string
	Remedy string
}

// String returns the warning as it is printed: "FILE:LINE: warning: what;
// remedy".
func (w Warning) String() string {
	return fmt.Sprintf("%s:%d: warning: %s; %s", w.File, w.Line, w.What, w.Remedy)
}

// Audit looks through the settings of a good fleet for what will not do what
// was meant, and returns its findings by file and line.
func Audit(fleet *Fleet) []Warning {
	a := &audit{fleet: fleet}
	for _, f := range fleet.Fans {
		a.idle(f)
		a.draught(f)
		a.speeds(f)
		a.reach(f)
	}
	a.gateways()
	a.bacnet()
	a.exposed()
	a.notify()
	sort.SliceStable(a.warnings, func(i, j int) bool {
		x, y := a.warnings[i], a.warnings[j]
		if x.File != y.File {
			return x.File < y.File
		}
		return x.Line < y.Line
	})
	return a.warnings
}

type audit struct {
	fleet    *Fleet
	warnings []Warning
}

// warn adds a warning about a key of a fan.
func (a *audit) warn(f *Fan, key, what, remedy string) {
	a.warnings = append(a.warnings, Warning{File: f.origin.file, Line: f.origin.of(key), Fan: f.ID,
		What: fmt.Sprintf("fan %q: %s", f.ID, what), Remedy: remedy})
}

func (a *audit) pressure(pa float64) string { return a.fleet.Units.Format(pa, units.Pressure) }

// thinMargin is the least that a restart rise should exceed the setpoint by:
// 0.02 in. of water. Common practice of the trade, without a published source.
const thinMargin = 0.02 * 249.08891

// rounding keeps a margin of exactly the least from being taken for a smaller
// one.
const rounding = 1e-6

// idle looks at fans that stop by themselves: can they stay stopped, and start
// again?
func (a *audit) idle(f *Fan) {
	_, readBack := f.Placed(reading.RestartRise)
	switch {
	case !f.GoesIdle && f.HasRestartRise:
		a.warn(f, "restart_rise", "restart_rise is given and idle_below is not, so the fan is taken never to go idle",
			"write idle_below, or remove restart_rise")
	case !f.GoesIdle:
	case f.Probe == Discharge:
		a.idleDischarge(f)
	case !f.HasRestartRise && !readBack:
		a.warn(f, "idle_below", "the fan goes idle, and nothing says how far the pressure must move to start it again, so a fan that stays stopped cannot be told from one at rest",
			"write restart_rise as it is set in the controller")
	case f.HasRestartRise && f.HasSetpoint:
		a.idleSuction(f)
	}
}

// idleDischarge: behind a stopped fan the pressure is about 0, so the probe
// tells the controller nothing about demand.
func (a *audit) idleDischarge(f *Fan) {
	what := "the fan goes idle with its probe on the discharge, where a stopped fan reads about 0 whatever the demand"
	if f.HasRestartRise && f.HasSetpoint {
		then := "it never falls that far, and the fan does not start again"
		if f.RestartRise <= f.Setpoint {
			then = "that is past it already, and the fan starts again by itself"
		}
		what += fmt.Sprintf(" (its restart point is %s: %s)", a.pressure(f.restartPoint()), then)
	}
	a.warn(f, "idle_below", what, "do not let it go idle, or move the probe to the suction side")
}

// idleSuction: before a stopped fan the reading returns to about 0, which must
// not be past the restart point.
func (a *audit) idleSuction(f *Fan) {
	margin := f.RestartRise + f.Setpoint // the setpoint is below zero
	switch {
	case margin < -rounding:
		a.warn(f, "restart_rise", fmt.Sprintf("the restart rise (%s) is below the size of the setpoint (%s): a stopped fan reads about 0, which is past the restart point, so it starts again by itself",
			a.pressure(f.RestartRise), a.pressure(f.Setpoint)), "raise restart_rise to above "+a.pressure(-f.Setpoint+thinMargin))
	case margin < thinMargin-rounding:
		a.warn(f, "restart_rise", fmt.Sprintf("a stopped fan reads about 0, only %s short of its restart point: wind or the sensor's drift can start it (margin under 0.02 in. w.g.)",
			a.pressure(margin)), "raise restart_rise to above "+a.pressure(-f.Setpoint+thinMargin))
	}
}

// speeds holds the speeds against each other.
func (a *audit) speeds(f *Fan) {
	switch {
	case f.HasHighSpeed && f.HighSpeedAt > f.MaxSpeed:
		a.warn(f, "high_speed_at", fmt.Sprintf("the high-speed contact makes at %s, above max_speed (%s): it never does",
			percent(f.HighSpeedAt), percent(f.MaxSpeed)), "write a high_speed_at within the speed range")
	case f.HasHighSpeed && f.HighSpeedAt < f.MinSpeed:
		a.warn(f, "high_speed_at", fmt.Sprintf("the high-speed contact makes at %s, below min_speed (%s): it is closed whenever the fan runs",
			percent(f.HighSpeedAt), percent(f.MinSpeed)), "write a high_speed_at within the speed range")
	}
	if f.HasOverride && f.OverrideSpeed != 0 && (f.OverrideSpeed < f.MinSpeed || f.OverrideSpeed > f.MaxSpeed) {
		a.warn(f, "override_speed", fmt.Sprintf("the override forces %s, outside the speed range of %s to %s",
			percent(f.OverrideSpeed), percent(f.MinSpeed), percent(f.MaxSpeed)), "write an override_speed within it, or 0 % for a forced stop")
	}
	if f.MinSpeed < f.StoppedBelow {
		a.warn(f, f.origin.either("min_speed", "stopped_below"), fmt.Sprintf("at its lowest speed (%s) the fan is taken for stopped (below %s)",
			percent(f.MinSpeed), percent(f.StoppedBelow)), "raise min_speed, or lower stopped_below")
	}
}

// reach asks whether the sensor can read what the controller is to act on.
func (a *audit) reach(f *Fan) {
	if !f.HasProbeRange || !f.HasSetpoint {
		return
	}
	dimension := f.Controlled().Dimension()
	show := func(v float64) string { return a.fleet.Units.Format(v, dimension) }
	if f.Setpoint <= f.ProbeLow || f.Setpoint >= f.ProbeHigh {
		a.warn(f, "setpoint", fmt.Sprintf("the setpoint (%s) is not within what the probe can read (%s to %s)",
			show(f.Setpoint), show(f.ProbeLow), show(f.ProbeHigh)), "correct setpoint or probe_range")
		return
	}
	restart := f.restartPoint()
	if f.GoesIdle && f.HasRestartRise && (restart > f.ProbeHigh || restart < f.ProbeLow) {
		a.warn(f, "restart_rise", fmt.Sprintf("the probe cannot read the restart point (%s; it reads %s to %s), so the fan cannot start again",
			show(restart), show(f.ProbeLow), show(f.ProbeHigh)), "lower restart_rise, or correct probe_range")
	}
}

// restartPoint is the reading at which the fan leaves idle.
func (f *Fan) restartPoint() float64 {
	if f.Probe == Discharge {
		return f.Setpoint - f.RestartRise
	}
	return f.Setpoint + f.RestartRise
}

// exposed warns of a page that others than this machine reach without its
// proving itself, or where nobody could act.
func (a *audit) exposed() {
	w := a.fleet.Web
	host, _, err := net.SplitHostPort(w.Listen)
	if ip := net.ParseIP(host); err != nil || host == "localhost" || ip != nil && ip.IsLoopback() {
		return
	}
	if w.TLSCert == "" {
		a.warnings = append(a.warnings, Warning{File: a.fleet.Path, Line: a.fleet.webLine,
			What: "[web] listens beyond this machine without TLS", Remedy: "give tls_cert and tls_key, or put a proxy with TLS before it"})
	}
	if len(w.Users) == 0 {
		a.warnings = append(a.warnings, Warning{File: a.fleet.Path, Line: a.fleet.webLine,
			What: "[web] listens beyond this machine, and nobody can log in", Remedy: "make users with `fanwarden hash`"})
	}
}

// gateways names those that nothing is read through.
func (a *audit) gateways() {
	used := make(map[*Gateway]bool)
	for _, f := range a.fleet.Fans {
		used[f.Gateway] = true
	}
	for _, g := range a.fleet.Gateways {
		if !used[g] && g.PointMap == nil {
			a.warnings = append(a.warnings, Warning{File: g.origin.file, Line: g.origin.line,
				What: fmt.Sprintf("gateway %q has no fan, so it is never asked", g.ID), Remedy: "add its fans, or remove it"})
		}
	}
}
