package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"net/url"
	"strings"
	"time"

	"fanwarden/cmd/fanwarden/internal/daemon"
	"fanwarden/cmd/fanwarden/internal/visit"
	"fanwarden/config"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/units"
	"fanwarden/rules/turnover"
)

// search is what `points --discover` is asked for.
type search struct {
	wanted bool
	url    string
	wait   time.Duration
}

func (s *search) flags(flags *flag.FlagSet) {
	flags.BoolVar(&s.wanted, "discover", false, "list the BACnet devices of a gateway and their objects as point maps, with reasons")
	flags.StringVar(&s.url, "url", "", "with --discover: `bacnet://HOST[:47808]` of a device, its router or the network's broadcast address, without a fleet file")
	flags.DurationVar(&s.wait, "wait", 5*time.Second, "with --discover: for how long devices may say who they are")
}

// run finds devices, reads what their objects say of themselves, and proposes point
// maps. It only reads.
func (s *search) run(ctx context.Context, p *process, path, gateway string, unit int) int {
	fail := func(status int, err error) int {
		fmt.Fprintln(p.stderr, "fanwarden points:", err)
		return status
	}
	if s.wait <= 0 {
		return fail(couldNotRun, errors.New("--wait must be above zero, as in --wait 5s"))
	}
	g, loan, err := s.at(p, path, gateway)
	if err != nil {
		return fail(couldNotRun, err)
	}
	defer loan.close()
	client, err := daemon.Devices(ctx, g, warnings(p.stderr))
	if err != nil {
		return fail(foundWrong, fmt.Errorf("%s: %w; nothing was read", g.URL, err))
	}
	defer client.Close()
	who := bacnet.WhoIs{}
	if unit >= 0 {
		who = bacnet.WhoIs{Limited: true, Low: uint32(unit), High: uint32(unit)}
	}
	fmt.Fprintf(p.stderr, "asking at %s for %s who is there, and writing nothing; ctrl-C ends it early\n", g.URL, units.Span(s.wait))
	found, err := visit.Discover(ctx, client, who, s.wait)
	if err != nil && ctx.Err() == nil {
		return fail(foundWrong, fmt.Errorf("%s: %w", g.URL, err))
	}
	if len(found) == 0 {
		return fail(foundWrong, errors.New(nobody))
	}
	fmt.Fprintf(p.stderr, "%d devices answered; reading what their objects say of themselves\n", len(found))
	devices, failed := visit.Objects(ctx, client, found)
	for _, err := range failed {
		fmt.Fprintln(p.stderr, "fanwarden points:", err)
	}
	if ctx.Err() != nil {
		return foundWrong
	}
	return propose(p.stdout, devices)
}

const nobody = "no device said who it is. A device that answers by a broadcast is heard on its own port only: try local_port = 47808 in the " +
	"fleet file. A broadcast does not pass IP routers: give the address of the device itself, or register with the network's BBMD (foreign_device = true)"

// propose prints the point maps, those of fans first.
func propose(w io.Writer, devices []turnover.Device) int {
	maps := turnover.ObjectMaps(devices)
	status, objects := foundWrong, 0
	for _, d := range devices {
		objects += len(d.Objects)
	}
	fmt.Fprintf(w, "# %d devices with %d objects.\n", len(devices), objects)
	for _, whole := range []bool{true, false} {
		for i := range maps {
			if maps[i].Whole() != whole {
				continue
			}
			fmt.Fprintf(w, "\n%s", maps[i].Block(mapName(maps, i)))
			if whole {
				status = allWell
			}
		}
	}
	if status == allWell {
		fmt.Fprint(w, turnover.ObjectsStillToVerify)
	}
	return status
}

// mapName names a map by its first device, and by the fan where that has several.
func mapName(maps []turnover.ObjectMap, i int) string {
	first := maps[i].Fans[0]
	name := fmt.Sprintf("device-%d", first.Device.Instance)
	for k := range maps {
		if k != i && maps[k].Fans[0].Device == first.Device && first.Label != "" {
			return name + "-" + strings.ReplaceAll(first.Label, " ", "-")
		}
	}
	return name
}

// at finds the gateway of the fleet file and borrows it, or makes one of an address.
func (s *search) at(p *process, path, gateway string) (*config.Gateway, *loan, error) {
	switch {
	case s.url != "" && gateway != "":
		return nil, nil, errors.New("--url and --gateway are both given; one says where the devices are")
	case s.url != "":
		g, err := atURL(s.url)
		return g, &loan{}, err
	case path == "" || gateway == "":
		return nil, nil, errors.New("say where the devices are: --config FILE --gateway ID, or --url bacnet://HOST[:47808]")
	}
	fleet, good := p.loadFleet(path)
	if !good {
		return nil, nil, errors.New("the fleet file must be right first; without it: --url bacnet://HOST[:47808]")
	}
	g, err := findGateway(fleet, gateway)
	if err != nil {
		return nil, nil, err
	}
	if !g.BACnet() {
		return nil, nil, fmt.Errorf("gateway %s is at %s, which cannot be asked what it has; use --guess", g.ID, g.URL)
	}
	loan, err := borrow(fleet, []*config.Gateway{g}, p.stderr)
	return g, loan, err
}

func atURL(text string) (*config.Gateway, error) {
	u, err := url.Parse(text)
	if err != nil || u.Scheme != config.BACnet || u.Hostname() == "" {
		return nil, fmt.Errorf("--url %q is no address of BACnet devices; write bacnet://HOST[:47808], as in bacnet://10.20.3.255", text)
	}
	port := u.Port()
	if port == "" {
		port = "47808"
	}
	return &config.Gateway{URL: text, Scheme: u.Scheme, Address: net.JoinHostPort(u.Hostname(), port), Timeout: time.Second}, nil
}

func findGateway(fleet *config.Fleet, id string) (*config.Gateway, error) {
	var ids []string
	for _, g := range fleet.Gateways {
		if string(g.ID) == id {
			return g, nil
		}
		ids = append(ids, string(g.ID))
	}
	return nil, fmt.Errorf("%s has no gateway %q; %s", fleet.Path, id, config.Meant(id, ids))
}
