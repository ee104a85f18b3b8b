package field

import (
	"math"
	"testing"
)

func testController() *controller {
	return &controller{state: running, integral: 0.3, command: 0.3, settings: settings{setpoint: -30, sense: 1, gain: 100,
		response: 20, min: 0.2, max: 0.9, goesIdle: true, idleBelow: 0.2, runOn: 60, restart: 45, startDelay: 5, highOn: 0.8,
		highOff: 0.7}}
}

// feed steps a controller that reads one value for some seconds and returns
// how many of them it was in a state.
func (c *controller) feed(reads float64, seconds int, counted state) (in int) {
	for range seconds {
		c.step(&inputs{reads: reads, permitted: true, hurry: 1})
		if c.state == counted {
			in++
		}
	}
	return in
}

func TestAControllerStaysBetweenItsLimitsAndDoesNotWindUp(t *testing.T) {
	c := testController()
	c.feed(40, 3600, running)
	if c.command != 0.9 || c.integral != 0.9 {
		t.Errorf("after an hour of demand it is at %v with an integral of %v, want its top", c.command, c.integral)
	}
	c.feed(-60, 20, running)
	if c.command > 0.9-0.25 {
		t.Errorf("it takes more than 20 s to come down from its top: %v", c.command)
	}
	c.goesIdle = false
	c.feed(-60, 3600, running)
	if c.command != 0.2 || c.integral != 0.2 {
		t.Errorf("after an hour without demand it is at %v with an integral of %v, want its least", c.command, c.integral)
	}
}

// An error that is held for the response time moves the speed by what would
// undo it, by the gain of the plant.
func TestTheResponseTimeIsInSeconds(t *testing.T) {
	c := testController()
	c.feed(-30+10, 20, running)
	if got, want := c.integral, 0.3+10.0/100; math.Abs(got-want) > 1e-9 {
		t.Errorf("after its response time the integral is %v, want %v", got, want)
	}
}

func TestAFanRunsOnGoesIdleAndRestarts(t *testing.T) {
	c := testController()
	c.integral = 0.18
	if on := c.feed(-40, 100, running); on < 58 || on > 62 {
		t.Errorf("it runs on for %d s, want 60", on)
	}
	if c.state != idle || c.command != 0 {
		t.Fatalf("it is not idle: %+v", c)
	}
	if in := c.feed(14, 600, idle); in != 600 {
		t.Error("it starts short of its restart point")
	}
	if in := c.feed(16, 30, starting); in != 5 || c.state != running || c.command < 0.2 {
		t.Errorf("past its restart point it waits for %d s, want its start delay of 5: %+v", in, c)
	}
}

func TestARunOnThatIsInterruptedBeginsAnew(t *testing.T) {
	c := testController()
	c.integral = 0.18
	c.feed(-40, 50, running)
	c.feed(30, 10, running)
	if c.low != 0 || c.state != running {
		t.Errorf("demand came and it counts on: %+v", c)
	}
}

func TestAForcedFanIsGivenBackWithoutAJump(t *testing.T) {
	c := testController()
	for range 10 {
		c.step(&inputs{reads: -30, permitted: true, force: true, forced: 0.6, hurry: 1})
	}
	c.feed(-30, 1, running)
	if c.state != running || math.Abs(c.command-0.6) > 1e-9 {
		t.Errorf("it goes on at %v", c.command)
	}
	c.step(&inputs{reads: -30, permitted: false, force: true, forced: 0.6, hurry: 1})
	if c.state != resting || c.command != 0 {
		t.Error("a fan that may not run is forced to")
	}
}
