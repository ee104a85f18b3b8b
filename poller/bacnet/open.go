package bacnet

import (
	"context"
	"fmt"
	"net"
	"net/netip"
	"strconv"
)

// Way is how a network of devices is reached.
type Way struct {
	// Address is HOST:PORT of a device, its router, or the network's broadcast
	// address. The host may be a name.
	Address   string
	LocalPort int  // that we speak from; 0: any
	Foreign   bool // the host is a BBMD, with which we register
}

// Open opens a client on a socket of its own. Where the way is through a BBMD it is
// registered there when Open returns. The errors are as [Failure] takes them.
func Open(ctx context.Context, w Way, o Options) (*Client, error) {
	to, err := resolve(ctx, w.Address)
	if err != nil {
		return nil, err
	}
	var socket net.ListenConfig
	conn, err := socket.ListenPacket(ctx, "udp4", fmt.Sprintf(":%d", w.LocalPort))
	if err != nil {
		return nil, fmt.Errorf("the port that devices are spoken to from cannot be had: %w", err)
	}
	o.Broadcast, o.Direct = to, !broadcasts(to.Addr())
	if w.Foreign {
		o.BBMD = to
	}
	c := New(conn, o)
	if w.Foreign {
		if err := c.Register(ctx); err != nil {
			c.Close()
			return nil, err
		}
	}
	return c, nil
}

// resolve finds the IPv4 address of HOST:PORT: BACnet/IP has no other (Annex J).
func resolve(ctx context.Context, address string) (netip.AddrPort, error) {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return netip.AddrPort{}, err
	}
	n, err := strconv.ParseUint(port, 10, 16)
	if err != nil {
		return netip.AddrPort{}, err
	}
	found, err := net.DefaultResolver.LookupNetIP(ctx, "ip4", host)
	if err != nil {
		return netip.AddrPort{}, err
	}
	return netip.AddrPortFrom(found[0].Unmap(), uint16(n)), nil
}

// broadcasts reports whether an address is that of many: of everybody, or the last
// of a network, of which those of other machines can only be guessed.
func broadcasts(to netip.Addr) bool {
	if to.IsMulticast() || to.As4()[3] == 255 {
		return true
	}
	own, err := net.InterfaceAddrs()
	if err != nil {
		return false
	}
	for _, a := range own {
		prefix, err := netip.ParsePrefix(a.String())
		if err == nil && prefix.Addr().Is4() && prefix.Bits() < 31 && last(prefix) == to {
			return true
		}
	}
	return false
}

// last returns the last address of a network.
func last(p netip.Prefix) netip.Addr {
	b := p.Addr().As4()
	for bit := p.Bits(); bit < 32; bit++ {
		b[bit/8] |= 0x80 >> (bit % 8)
	}
	return netip.AddrFrom4(b)
}
