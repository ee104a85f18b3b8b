// Package objects is what a BACnet device of the simulated field holds: its
// objects with their properties, and its answers to what is asked of them
// (ANSI/ASHRAE 135, clauses 12, 13 and 15). It knows no network and no clock.
//
// Numbers of enumerations that poller/bacnet does not have are from memory.
package objects
