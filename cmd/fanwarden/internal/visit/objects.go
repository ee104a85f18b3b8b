package visit

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"fanwarden/poller/bacnet"
	"fanwarden/rules/turnover"
)

// Discover asks who is there, twice, as datagrams get lost, and gathers the devices
// that answer within a time, by their instances.
func Discover(ctx context.Context, c *bacnet.Client, who bacnet.WhoIs, within time.Duration) ([]bacnet.Device, error) {
	byInstance := make(map[uint32]bacnet.Device)
	var err error
	for range 2 {
		var found []bacnet.Device
		found, err = c.Discover(ctx, who, within/2)
		for _, d := range found {
			byInstance[d.Instance] = d
		}
		if err != nil {
			break
		}
	}
	var all []bacnet.Device
	for _, d := range byInstance {
		all = append(all, d)
	}
	slices.SortFunc(all, func(a, b bacnet.Device) int { return cmp.Compare(a.Instance, b.Instance) })
	return all, err
}

// Objects reads what devices say of their objects, many devices at a time, and
// returns them in their order, and for each device that did not tell which objects
// it has an error. It only reads.
func Objects(ctx context.Context, c *bacnet.Client, found []bacnet.Device) ([]turnover.Device, []error) {
	devices := make([]turnover.Device, len(found))
	failed := make([]error, len(found))
	var all sync.WaitGroup
	for i, d := range found {
		all.Go(func() {
			for range thrice { // on a line that loses much, one of so many requests stays unanswered
				devices[i], failed[i] = objectsOf(ctx, c, d)
				if !errors.Is(failed[i], bacnet.ErrTimeout) {
					return
				}
			}
		})
	}
	all.Wait()
	var told []turnover.Device
	var errs []error
	for i, err := range failed {
		if err != nil {
			errs = append(errs, fmt.Errorf("device %d: %w", found[i].Instance, err))
			continue
		}
		told = append(told, devices[i])
	}
	return told, errs
}

func objectsOf(ctx context.Context, c *bacnet.Client, found bacnet.Device) (turnover.Device, error) {
	instance := found.Instance
	d := turnover.Device{Instance: instance, At: found.Station.String()}
	own := bacnet.ObjectID{Type: bacnet.DeviceObject, Instance: instance}
	head, err := c.ReadAll(ctx, instance, []bacnet.Reference{{Object: own, Property: bacnet.ObjectName},
		{Object: own, Property: bacnet.ObjectList, Indexed: true}})
	if err != nil {
		return d, err
	}
	d.Name = text(head[0])
	count, counted := whole(head[1])
	if !counted {
		return d, fmt.Errorf("it does not say how many objects it has: %w", reason(head[1]))
	}
	ids, err := list(ctx, c, own, int(min(count, mostObjects)))
	if err != nil {
		return d, err
	}
	d.Lost = int(count) - len(ids)
	ids = slices.DeleteFunc(ids, func(id bacnet.ObjectID) bool { return id.Type == bacnet.DeviceObject })
	d.Objects, err = describe(ctx, c, instance, ids)
	return d, err
}

const thrice = 3

// mostObjects bounds what is asked of one device; a list that is longer is a
// mistake, or nothing that a person could go through.
const mostObjects = 20000

// list reads the list of objects element by element: as a whole it often fits no
// answer.
func list(ctx context.Context, c *bacnet.Client, own bacnet.ObjectID, count int) (ids []bacnet.ObjectID, err error) {
	elements := make([]bacnet.Reference, count)
	for i := range elements {
		elements[i] = bacnet.Reference{Object: own, Property: bacnet.ObjectList, Indexed: true, Index: uint32(i + 1)}
	}
	results, err := c.ReadAll(ctx, own.Instance, elements)
	for _, r := range results {
		if len(r.Values) != 1 {
			continue
		}
		if id, ok := r.Values[0].Object(); ok {
			ids = append(ids, id)
		}
	}
	return ids, err
}

// describe reads of each object what turnover wants to know.
func describe(ctx context.Context, c *bacnet.Client, instance uint32, ids []bacnet.ObjectID) ([]turnover.Object, error) {
	var asked []bacnet.Reference
	for _, id := range ids {
		for _, p := range worth(id.Type) {
			asked = append(asked, bacnet.Reference{Object: id, Property: p})
		}
	}
	results, err := c.ReadAll(ctx, instance, asked)
	if err != nil {
		return nil, err
	}
	objects := make([]turnover.Object, len(ids))
	for i, id := range ids {
		n := len(worth(id.Type))
		objects[i].ID = id
		for _, r := range results[:n] {
			tell(&objects[i], r)
		}
		results = results[n:]
	}
	return objects, nil
}

// worth returns the properties that are asked of a kind of object.
func worth(t bacnet.ObjectType) []bacnet.PropertyID {
	said := []bacnet.PropertyID{bacnet.ObjectName, bacnet.Description}
	state := []bacnet.PropertyID{bacnet.PresentValue, bacnet.StatusFlagsOf, bacnet.ReliabilityOf}
	switch {
	case t.Analog():
		return append(append(said, state...), bacnet.UnitsOf)
	case t == bacnet.BinaryValue: // has no polarity
		return append(said, state...)
	case t.Binary():
		return append(append(said, state...), bacnet.PolarityOf)
	case t.MultiState():
		return append(append(said, state...), bacnet.StateText)
	}
	return said[:1]
}

// tell notes one property of an object; one that the object does not have changes
// nothing.
func tell(o *turnover.Object, r bacnet.Result) {
	if r.Err != nil || len(r.Values) == 0 {
		return
	}
	switch r.Property {
	case bacnet.ObjectName:
		o.Name = text(r)
	case bacnet.Description:
		o.Description = text(r)
	case bacnet.StateText:
		for _, one := range r.Values {
			s, _ := one.Text()
			o.States = append(o.States, s)
		}
	default:
		o.Note(r)
	}
}

func text(r bacnet.Result) string {
	if len(r.Values) == 0 {
		return ""
	}
	s, _ := r.Values[0].Text()
	return s
}

func whole(r bacnet.Result) (uint64, bool) {
	if len(r.Values) == 0 {
		return 0, false
	}
	return r.Values[0].Unsigned()
}

// reason is why a property holds nothing.
func reason(r bacnet.Result) error {
	if r.Err != nil {
		return r.Err
	}
	return bacnet.ErrMalformed
}
