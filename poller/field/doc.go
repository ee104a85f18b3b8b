// Package field is a simulated field: exhaust fans with their ducts,
// controllers and sensors, and the gateways that they are read through, by Modbus
// and by BACnet/IP.
// It is a model and not a recording: the pressure at a probe is what solves the
// flow balance of fan, riser, leakage, branch fans, draught and wind.
//
// A seed gives the same run. Simulated time runs as fast as the machine allows;
// the same model runs in real time behind sockets.
package field
