// Package bacnet is a conversation with BACnet devices over BACnet/IP
// (ANSI/ASHRAE 135, Annex J). What stands on the wire is written and taken
// apart by plain functions that know no network (tag.go, value.go, bvlc.go,
// npdu.go, apdu.go, service_*.go), for clients and servers alike; [Client] does
// the talking.
package bacnet
