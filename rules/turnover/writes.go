package turnover

import (
	"fmt"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// Writes names what an exercise of a fan writes to, and what gives it back: where
// these have changed since a fan was forced, a release would go elsewhere.
func Writes(f *config.Fan) (all []string) {
	for _, p := range outputs(f) {
		says := fmt.Sprintf("%s is %s of unit %d behind %s", p.Point, p.Where(), p.Unit, f.Gateway.URL)
		switch {
		case p.BACnet():
			says += fmt.Sprintf(", at priority %d", p.Priority)
		case p.Encoding.Bit != decode.NoBit && !p.Table.Bits():
			says += fmt.Sprintf(", bit %d", p.Encoding.Bit)
		}
		all = append(all, says)
	}
	if p, mapped := f.Placed(reading.ForceSpeed); mapped && f.ForceRelease != nil && !p.BACnet() {
		all = append(all, fmt.Sprintf("force_release is %s", Hex(releaseWords(p, *f.ForceRelease))))
	}
	return all
}
