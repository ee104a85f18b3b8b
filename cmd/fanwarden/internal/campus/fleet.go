package campus

import (
	_ "embed"
	"errors"
	"fmt"
	"io"
	"text/template"
	"time"
)

//go:embed fleet.toml.tmpl
var fleetTemplate string

// Places are what the fleet file says of the machine that the campus runs on.
type Places struct {
	Listen string // where the daemon is seen
	Ports  []int  // of the gateways on the loopback address, in the order of the buildings
	Zone   string // the zone of the campus's clocks
}

// WriteFleet writes the campus as a fleet file.
func (c *Campus) WriteFleet(w io.Writer, p Places) error {
	if len(p.Ports) != len(c.Buildings) {
		return fmt.Errorf("%d ports for the gateways of %d buildings", len(p.Ports), len(c.Buildings))
	}
	t, err := template.New("fleet").Parse(fleetTemplate)
	if err != nil {
		return errors.Join(errors.New("the campus's own template is broken"), err)
	}
	return t.Execute(w, struct {
		*Campus
		Places
	}{c, p})
}

// morning is the hour at which people on the campus are up and at work.
const morning = 10

// Zone returns a zone in which it is about ten in the morning now, wherever
// the reader is. The campus lies there: at any other hour there would be little
// demand to see, and a fan that ought to start would rightly stand still.
//
// The zones are the fixed ones of the IANA list, whose signs are the other way
// round than people write them: Etc/GMT-3 is three hours ahead of Greenwich.
func Zone(now time.Time) string {
	ahead := morning - now.UTC().Hour()
	if ahead < -12 {
		ahead += 24
	}
	return fmt.Sprintf("Etc/GMT%+d", -ahead)
}
