package main

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"fanwarden/rules/condition"
)

// play shows what stands once a second, and returns what was found wrong.
func play(t *testing.T, do func(c *conditions, see func(seconds int, all ...standing))) string {
	var wrong []string
	synctest.Test(t, func(t *testing.T) {
		c := newConditions(func(format string, args ...any) { wrong = append(wrong, fmt.Sprintf(format, args...)) })
		do(c, func(seconds int, all ...standing) {
			set := make(map[standing]bool)
			for _, s := range all {
				set[s] = true
			}
			for range seconds {
				c.observe(time.Now(), set)
				time.Sleep(time.Second)
			}
		})
	})
	return strings.Join(wrong, "\n")
}

func TestConditions(t *testing.T) {
	down, other := standing{"g01", condition.GatewayDown}, standing{"g02", condition.GatewayDown}
	off := func(c *conditions) *trouble {
		on := &trouble{kind: &kinds[0], gateway: "g01", put: time.Now()}
		c.expect(on)
		return on
	}
	tests := []struct {
		name string
		do   func(c *conditions, see func(int, ...standing))
		want string // a part of what is wrong, "" for nothing
	}{
		{"as it should be", func(c *conditions, see func(int, ...standing)) {
			on := off(c)
			see(12)
			see(20, down)
			c.ended(on)
			see(5, down)
			see(60)
		}, ""},
		{"never raised", func(c *conditions, see func(int, ...standing)) { off(c); see(60) }, "raised nothing within"},
		{"not raised in a short time", func(c *conditions, see func(int, ...standing)) { on := off(c); see(10); c.ended(on) }, "raised nothing in the 10s"},
		{"of another", func(c *conditions, see func(int, ...standing)) { off(c); see(10, down, other) }, "gateway_down stands on g02"},
		{"another one", func(c *conditions, see func(int, ...standing)) {
			off(c)
			see(10, down, standing{"g01-f0", condition.ControllerSilent})
		}, "controller_silent stands on g01-f0"},
		{"of nobody", func(c *conditions, see func(int, ...standing)) { see(1, down) }, "gateway_down stands on g01"},
		{"it stays", func(c *conditions, see func(int, ...standing)) {
			on := off(c)
			see(20, down)
			c.ended(on)
			see(60, down)
		}, "gateway_down stands on g01"},
		{"it is dropped", func(c *conditions, see func(int, ...standing)) { off(c); see(20, down); see(5) }, "stands no more"},
		{"found anew after a kill", func(c *conditions, see func(int, ...standing)) {
			off(c)
			see(3, down)
			c.restarted(time.Now())
			see(15)
			see(20, down)
		}, ""},
		{"lost by a kill", func(c *conditions, see func(int, ...standing)) {
			off(c)
			see(20, down)
			c.restarted(time.Now())
			see(15)
		}, "stands no more"},
		{"for a moment", func(c *conditions, see func(int, ...standing)) { c.raisedBy(down, "gone") }, "was raised on g01"},
	}
	for _, test := range tests {
		if wrong := play(t, test.do); (test.want == "") != (wrong == "") || !strings.Contains(wrong, test.want) {
			t.Errorf("%s: found %q, want %q", test.name, wrong, test.want)
		}
	}
}

// An alarm that stood for long enough must be told, and that it is over too.
func TestUntold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newConditions(t.Errorf)
		r := &receivers{told: map[string]map[string]bool{"heard": {"raised": true, "returned": true}, "half": {"raised": true}, "stands": {"raised": true}}}
		for i := range 60 {
			for _, id := range []string{"heard", "half", "unheard", "quiet"} {
				if i < 20 {
					c.note(time.Now(), id, id == "quiet")
				}
			}
			if i < 5 {
				c.note(time.Now(), "short", false)
			}
			c.note(time.Now(), "stands", false)
			time.Sleep(time.Second)
		}
		got := strings.Join(c.untold(r), ", ")
		if want := "that half is over, that unheard was raised"; got != want {
			t.Errorf("%q, want %q", got, want)
		}
		if n := c.owed(); n != 4 {
			t.Errorf("%d alarms must be told, want 4", n)
		}
	})
}
