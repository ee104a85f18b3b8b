// Package config reads the fleet file and its roster into plain, validated
// structs. A file is either good as a whole or it yields its faults, every one
// in a single pass, each with its place and a remedy.
package config

import (
	"time"

	"fanwarden/poller/bacnet"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// Fleet is everything a fleet file says. It is not changed once loaded, so it
// may be shared without locks.
type Fleet struct {
	Path       string
	Name       string
	PollEvery  time.Duration  // default 5s
	StaleAfter time.Duration  // default 20s
	Location   *time.Location // default: the machine's
	Units      units.System   // default: metric
	Web        Web
	Store      Store
	Notify     Notify
	Rules      condition.Settings
	PointMaps  []*PointMap
	Buildings  []*Building
	Gateways   []*Gateway
	Fans       []*Fan

	webLine int // of [web], for warnings
}

// Zone returns the zone that the people of the fleet live by.
func (f *Fleet) Zone() *time.Location {
	if f.Location == nil {
		return time.UTC
	}
	return f.Location
}

// Web is where the daemon is seen, and by whom.
type Web struct {
	Listen string // host:port, default 127.0.0.1:9640
	// URL is how people reach it from where they read messages: the beginning of
	// every link, without a slash at its end; "" where there are no links.
	URL string
	// TLSCert and TLSKey are PEM files; both or neither. Paths are relative to
	// the fleet file.
	TLSCert, TLSKey string
	// Users are the people who may log in, by name: bcrypt hashes, as
	// `fanwarden hash` makes them.
	Users map[string]string
	// Tokens are machines that may act, by name: SHA-256 of the token in hex, as
	// `fanwarden hash --token` makes them.
	Tokens map[string]string
	// ReadingNeedsLogin: reading is behind the login too, not only acting.
	ReadingNeedsLogin bool
}

// Store is where the daemon keeps what must outlive it.
type Store struct {
	Dir  string        // "" keeps nothing
	Keep time.Duration // of history, default 30d
	// KeepMB is how many megabytes of history are kept, the newest; 0: no bound but
	// Keep.
	KeepMB int
}

// Building is one building of the campus.
type Building struct {
	ID   reading.BuildingID
	Name string // default: the id
}

// The protocols of point maps.
const (
	Modbus = "modbus"
	BACnet = "bacnet"
)

// PointMap says where one model of controller keeps its points.
type PointMap struct {
	Name            string
	Protocol        string // Modbus or BACnet
	Stride          int    // registers, or instances, from one fan's block to the next
	AbsentIfAllZero bool   // the gateway zero-fills units that it has lost
	Points          []MappedPoint
}

// MappedPoint is one point of a point map, before it is placed for a fan.
type MappedPoint struct {
	Point    reading.Point
	Table    decode.Table
	Address  int // protocol address, from 0
	Encoding decode.Encoding
	Stride   int  // the point's own, or the map's
	Shared   bool // one for all fans of the unit: neither base nor slot is added
	Device   int  // unit that holds the point where it is not the fan's; 0: the fan's

	// Of a point of a BACnet map, as PlacedPoint has them.
	Object        bacnet.Reference
	States        []uint32
	DeviceUnit    bacnet.EngineeringUnits
	HasDeviceUnit bool
	Priority      uint8
}

// Gateway is one connection through which fans are read.
type Gateway struct {
	ID           reading.GatewayID
	Building     *Building
	URL          string // as written
	Scheme       string // tcp, rtuovertcp, udp, tcp+tls, rtu, bacnet
	Address      string // host:port, or the serial device
	Timeout      time.Duration
	PollEvery    time.Duration
	StaleAfter   time.Duration
	MaxGap       int           // unused registers that one request may bridge
	MaxRegisters int           // in one request, 1 to 125
	Pause        time.Duration // between requests
	LateReply    time.Duration // how much later than its timeout an answer may still come
	PointMap     *PointMap     // of what the gateway says about itself; nil: nothing
	Unit         int           // the gateway's own
	Points       []PlacedPoint // of its own point map, at their places on the wire
	Baud         int           // serial lines
	DataBits     int           // 7 or 8
	Parity       string        // none, even, odd
	StopBits     int           // 1 or 2
	LineBaud     int           // of the serial side of a TCP gateway; 0: not known
	TLSCert      string        // paths of the files for tcp+tls
	TLSKey       string
	TLSCA        string

	// Of a bacnet:// gateway.
	LocalPort     int  // UDP port that it is spoken to from; 0: any
	ForeignDevice bool // register with its host, which is a BBMD
	COV           bool // have contacts and settings told when they change

	origin origin
}

// SerialBaud returns the speed of the gateway's serial side in bit/s, or 0
// where it has none or it is not known.
func (g *Gateway) SerialBaud() int {
	if g.Scheme == "rtu" {
		return g.Baud
	}
	return g.LineBaud
}

// BACnet reports whether devices are read through the gateway by BACnet/IP.
func (g *Gateway) BACnet() bool { return g.Scheme == BACnet }

// Protocol returns the protocol of the point maps that go with the gateway.
func (g *Gateway) Protocol() string {
	if g.BACnet() {
		return BACnet
	}
	return Modbus
}

// Place returns where the gateway stands in the fleet file.
func (g *Gateway) Place() (file string, line int) { return g.origin.file, g.origin.line }
