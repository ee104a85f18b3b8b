package main

import (
	"fmt"
	"net"
	"strings"
	"time"
)

// Clients that do not behave, a few of each kind.
const (
	deafReaders   = 12  // follow events and take none
	deafScrapers  = 4   // ask for metrics and take none
	slowHeaders   = 20  // never come to the end of what they ask
	slowBodies    = 10  // nor of what they send
	idleClients   = 200 // connect and say nothing
	oversizedURLs = 5
)

// stall opens clients that keep the daemon waiting, until done is closed.
func (s *soak) stall(done <-chan struct{}) {
	address := strings.TrimPrefix(s.url(), "http://")
	var conns []net.Conn
	open := func(n int, text string) {
		for range n {
			conn, err := net.DialTimeout("tcp", address, silence)
			if err != nil {
				s.found("the daemon takes no connection while others stall: %v", err)
				return
			}
			conn.(*net.TCPConn).SetReadBuffer(4 << 10)
			conns = append(conns, conn)
			fmt.Fprint(conn, text)
		}
	}
	const host = " HTTP/1.1\r\nHost: soak\r\n"
	open(deafReaders, "GET /api/v1/events?topic=summary&topic=alarms&topic=marks"+host+"\r\n")
	open(deafScrapers, "GET /metrics"+host+"\r\n")
	slow := len(conns)
	open(slowHeaders, "GET /"+host)
	open(slowBodies, "POST /api/v1/alarms/x/acknowledge"+host+"Content-Type: application/json\r\nContent-Length: 4000\r\n\r\n{")
	end := len(conns)
	open(idleClients, "")
	open(oversizedURLs, "GET /?"+strings.Repeat("a", 64<<10)+host+"\r\n")
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		select {
		case <-done:
			for _, c := range conns {
				c.Close()
			}
			return
		case <-tick.C:
			for _, c := range conns[slow:end] {
				fmt.Fprint(c, "a") // a header without an end, and a body of drips
			}
		}
	}
}
