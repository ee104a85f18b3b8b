package rules

import (
	"math"
	"math/rand/v2"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// plant is a small model of one fan on a riser, its controller and its sensor:
// the fan's pressure goes with the square of its speed (fan laws), demand pushes
// into the riser, draught and gusts come on top, the sensor is a first-order
// lag, and the controller is a PI controller with an idle mode.
type plant struct {
	cfg  *config.Fan
	fan  float64 // Pa at full speed, the riser closed
	push func(at time.Duration) float64
	draw func(at time.Duration) float64
	// gusts: standard deviation in Pa, with a correlation of 10 s
	gusts float64
	// sensor is what becomes of the pressure in a sensor that is ill.
	sensor func(pressure float64) float64
	count  float64 // Pa, resolution of the sensor

	controllerSign float64 // -1: the controller sees the wrong sign
	mapSign        float64 // -1: only the reading has lost it
	showsEnable    bool    // the contact is mapped
	broken         bool    // the wheel does not turn
	ramp           float64 // speed a second that its drive allows; 0: at once
	restart        float64 // the controller's own restart rise
	quick          float64 // how quick the controller is; 1: as usual, for a fan of 150 Pa
	override       func(at time.Duration) bool
	enabled        func(at time.Duration) bool

	noise    *rand.Rand
	gust     float64
	sensed   float64 // true pressure through the sensor's lag
	speed    float64
	integral float64
	idle     bool
	lowFor   float64
	pastFor  float64
}

// newPlant is a healthy fan with its probe on the side that cfg says, at rest
// or not, whose wheel makes 150 Pa.
func newPlant(cfg *config.Fan) *plant {
	never := func(time.Duration) bool { return false }
	none := func(time.Duration) float64 { return 0 }
	return &plant{cfg: cfg, fan: 150, push: none, draw: none, count: 0.25, controllerSign: 1, mapSign: 1, restart: cfg.RestartRise, quick: 1,
		override: never, enabled: func(time.Duration) bool { return true }, noise: rand.New(rand.NewPCG(1, 2)), speed: 0.5,
		integral: 0.5}
}

// tick moves the model on by a second and returns what is read.
func (p *plant) tick(at time.Duration) values {
	p.gust += -p.gust/10 + p.noise.NormFloat64()*p.gusts*math.Sqrt(2.0/10)
	effect := p.fan * p.speed * p.speed
	if p.broken {
		effect = 0
	}
	pressure := p.push(at) + p.draw(at) + p.gust - effect // suction side, from demand
	if p.cfg.Probe == config.Discharge {
		pressure = effect - p.push(at) - p.gust
	}
	p.sensed += (pressure - p.sensed) / 4
	seen := p.sensed * p.controllerSign
	if p.sensor != nil {
		seen = p.sensor(seen)
	}
	p.control(at, seen)
	read := math.Round(seen*p.mapSign/p.count) * p.count
	v := values{reading.Speed: math.Round(p.speed*1000) / 1000, reading.Pressure: read}
	if p.override(at) {
		v[reading.Override] = 1
	}
	if p.showsEnable || !p.enabled(at) {
		v[reading.Enable] = step01(p.enabled(at))
	}
	return v
}

// control is one second of the controller.
func (p *plant) control(at time.Duration, seen float64) {
	sense := 1.0
	if p.cfg.Probe == config.Discharge {
		sense = -1
	}
	short := sense * (seen - p.cfg.Setpoint)
	switch {
	case !p.enabled(at):
		p.speed, p.integral = 0, 0
		return
	case p.override(at):
		p.speed = 1
		return
	case p.idle:
		p.speed = 0
		p.pastFor = (p.pastFor + 1) * step01(short > p.restart)
		if p.pastFor > p.cfg.StartDelay.Seconds() {
			p.idle, p.speed, p.integral, p.lowFor = false, p.cfg.MinSpeed, p.cfg.MinSpeed, 0
		}
		return
	}
	p.integral = clamp(p.integral+0.0006*p.quick*short, p.cfg.MinSpeed, p.cfg.MaxSpeed)
	want := clamp(p.integral+0.003*p.quick*short, p.cfg.MinSpeed, p.cfg.MaxSpeed)
	if p.ramp > 0 {
		want = clamp(want, p.speed-p.ramp, p.speed+p.ramp)
	}
	p.speed = want
	p.lowFor = (p.lowFor + 1) * step01(p.speed <= p.cfg.IdleBelow)
	if p.cfg.GoesIdle && p.lowFor > p.cfg.RunOn.Seconds() {
		p.idle, p.pastFor = true, 0
	}
}

func step01(on bool) float64 {
	if on {
		return 1
	}
	return 0
}

func clamp(v, low, high float64) float64 { return min(max(v, low), high) }

// between is a push that stands from one time to another.
func between(from, to time.Duration, pa float64) func(time.Duration) float64 {
	return func(at time.Duration) float64 {
		if at >= from && at < to {
			return pa
		}
		return 0
	}
}

// live runs plants, the fans of the trace in order, for a span of time and
// feeds what they read once a poll.
func (tr *trace) live(span time.Duration, plants ...*plant) {
	begun := tr.now
	last := make([]values, len(plants))
	for at := time.Duration(0); at < span; at += time.Second {
		for i, p := range plants {
			last[i] = p.tick(at)
		}
		if at%tr.every == 0 {
			tr.now = begun.Add(at)
			for i, f := range tr.fleet.Fans[:len(plants)] {
				tr.feed(f.ID, reading.OK, last[i])
			}
		}
	}
	tr.now = begun.Add(span)
}
