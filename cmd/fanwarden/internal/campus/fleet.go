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

// evening is the hour at which most of a campus wants exhaust: supper, washing,
// cars that leave.
const evening = 18

// Zone returns a zone in which it is about six in the evening now, wherever the
// reader is. The campus lies there: at most other hours there would be little
// to see, and a fan that ought to start would rightly stand still.
//
// The zones are the fixed ones of the IANA list, whose signs are the other way
// round than people write them: Etc/GMT-3 is three hours ahead of Greenwich.
func Zone(now time.Time) string {
	ahead := evening - now.UTC().Hour()
	if ahead > 14 {
		ahead -= 24
	}
	return fmt.Sprintf("Etc/GMT%+d", -ahead)
}
