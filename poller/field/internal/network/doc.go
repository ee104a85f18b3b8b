// Package network is the BACnet/IP network that devices of the simulated field
// stand on: sockets, a router with networks behind it, a BBMD, answers in
// segments and subscriptions (ANSI/ASHRAE 135, clauses 5, 6 and 13, Annex J). It
// takes datagrams and gives datagrams; the sockets themselves, and the time, are
// its caller's.
package network
