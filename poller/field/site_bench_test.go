package field

import (
	"context"
	"net"
	"testing"

	"go.uber.org/zap"

	"fanwarden/poller/bacnet"
)

// atOnce is how many requests the benchmark has under way.
const atOnce = 16

// What the BACnet server answers, client and kernel on the same cores: -cpu 1 for
// one core.
func BenchmarkObjects(b *testing.B) {
	for name, data := range map[string][]byte{
		"one property": bacnet.AppendReadProperty(nil, ref("analog-input,3", bacnet.PresentValue)),
		"40 at once":   bacnet.AppendReadPropertyMultiple(nil, many()),
	} {
		b.Run(name, func(b *testing.B) {
			fleet := objectsOnOwnPort(b)
			s, err := Serve(context.Background(), New(fleet, 1, noon), zap.NewNop(), ServeOptions{Speed: paused})
			if err != nil {
				b.Fatal(err)
			}
			defer s.Close()
			conn, err := net.Dial("udp4", fleet.Gateways[0].Address)
			if err != nil {
				b.Fatal(err)
			}
			defer conn.Close()
			a := bacnet.APDU{Type: bacnet.ConfirmedRequest, MaxAPDU: 5, MaxSegments: 6, SegmentedAccepted: true, Data: data, Service: bacnet.ServiceReadProperty}
			if len(data) > 100 {
				a.Service = bacnet.ServiceReadPropertyMultiple
			}
			request := bacnet.BVLC{Function: bacnet.OriginalUnicastNPDU, Data: bacnet.NPDU{ExpectingReply: true, Data: a.Append(nil)}.Append(nil)}.Append(nil)
			for range atOnce {
				conn.Write(request)
			}
			answer := make([]byte, longestDatagram)
			for b.Loop() {
				if _, err := conn.Read(answer); err != nil {
					b.Fatal(err)
				}
				conn.Write(request)
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "requests/s")
		})
	}
}
