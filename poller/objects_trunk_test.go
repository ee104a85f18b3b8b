package poller_test

import (
	"net/netip"
	"testing"
	"time"

	"fanwarden/poller/bacnet"
)

// Devices that share a slow line behind a router are all read, though it is busy with
// their answers for four tenths of the time: what is asked too early would fill it.
func TestManyDevicesOnASlowLine(t *testing.T) {
	for _, n := range []int{20, 40} {
		for _, dead := range []int{0, n / 5} {
			s, fleet := campus(n)
			s.trunk = 100 * time.Millisecond // about what an answer takes at 38400 baud
			fleet.Gateways[0].PollEvery, fleet.Gateways[0].Timeout = 10*time.Second, time.Second
			for i, b := range s.devices {
				b.at = netip.MustParseAddrPort("10.0.0.2:47808")
				b.network = bacnet.Network{Number: 2001, MAC: string([]byte{byte(i)})}
				b.silent = int(i) <= dead
			}
			cycles, _ := s.awhile(t, fleet, 10*time.Minute)
			good, asked := 0, 0
			for i := dead; i < n; i++ {
				for _, r := range of(cycles[12:], i) { // once they have all said who they are, over the same line
					if fleet.Fans[i].Usable(&r) {
						good++
					}
				}
				asked += s.devices[uint32(i+1)].asked[bacnet.ServiceReadPropertyMultiple]
			}
			share := float64(good) / float64((len(cycles)-12)*(n-dead))
			often := float64(asked) / float64(len(cycles)*(n-dead))
			t.Logf("%d devices, %d dead: %.1f %% of readings are good, %.2f requests for each", n, dead, 100*share, often)
			if share < 0.99 || often > 1.2 {
				t.Errorf("%d devices, %d dead: %.1f %% of readings are good, %.2f requests for each", n, dead, 100*share, often)
			}
		}
	}
}
