package bacnet

import (
	"context"
	"errors"
)

// Read asks a device for one property.
func (c *Client) Read(ctx context.Context, device uint32, p Reference) ([]Value, error) {
	d, err := c.device(ctx, device)
	if err != nil {
		return nil, err
	}
	return c.readOne(ctx, d, p)
}

func (c *Client) readOne(ctx context.Context, d Device, p Reference) ([]Value, error) {
	data, err := c.request(ctx, d.Station, ServiceReadProperty, AppendReadProperty(nil, p))
	if err != nil {
		return nil, err
	}
	a, err := ParseReadPropertyAck(data)
	if err != nil || a.Reference != p {
		return nil, ErrMalformed
	}
	return a.Values, nil
}

// ReadAll asks a device for many properties, in as few requests as its APDUs
// allow, and returns one result for each in the same order. A property that the
// device cannot give, or answers for without sense, costs that property alone. A device that answers a whole
// request with an error, a reject or an abort is read one property at a time
// from then on. The error is of the whole device: it stopped answering; the
// results are those that came before.
func (c *Client) ReadAll(ctx context.Context, device uint32, all []Reference) ([]Result, error) {
	d, err := c.device(ctx, device)
	if err != nil {
		return nil, err
	}
	results := make([]Result, 0, len(all))
	for len(all) > len(results) {
		rest := all[len(results):]
		if !d.noMultiple {
			n := pack(rest, d.IAm)
			got, err := c.readPack(ctx, d, rest[:n])
			if err == nil {
				results = append(results, got...)
				continue
			}
			switch {
			case refused(err):
				c.readsSingly(device)
			case !errors.Is(err, ErrMalformed): // an answer that does not fit counts this time only
				return results, err
			}
			d.noMultiple = true
		}
		got, err := c.readSingly(ctx, d, rest[0])
		if err != nil {
			return results, err
		}
		results = append(results, got)
	}
	return results, nil
}

// refused reports whether the device answered and would not.
func refused(err error) bool {
	var e *RemoteError
	var r *Reject
	var a *Abort
	return errors.As(err, &e) || errors.As(err, &r) || errors.As(err, &a)
}

// readSingly makes a refusal, and an answer without sense, the property's own.
func (c *Client) readSingly(ctx context.Context, d Device, p Reference) (Result, error) {
	values, err := c.readOne(ctx, d, p)
	if err != nil && !refused(err) && !errors.Is(err, ErrMalformed) {
		return Result{}, err
	}
	return Result{Reference: p, Values: values, Err: err}, nil
}

// readPack is one multiple read. The answer must be to what was asked, in order.
func (c *Client) readPack(ctx context.Context, d Device, asked []Reference) ([]Result, error) {
	data, err := c.request(ctx, d.Station, ServiceReadPropertyMultiple, AppendReadPropertyMultiple(nil, asked))
	if err != nil {
		return nil, err
	}
	got, err := ParseReadPropertyMultipleAck(data)
	if err != nil || len(got) != len(asked) {
		return nil, ErrMalformed
	}
	for i := range got {
		if got[i].Reference != asked[i] {
			return nil, ErrMalformed
		}
	}
	return got, nil
}

// Bytes around the data of an APDU: of a request, and of an answer.
const (
	requestHead = 4
	answerHead  = 3
)

// pack returns how many of the properties, at least one, fit into one request
// and its answer. Where the device can segment its answer, only the request has
// to fit, and the answer into as many segments as we take.
func pack(all []Reference, d IAm) int {
	room := min(int(d.MaxAPDU), APDUSize(ownAPDU))
	asking, answering := room-requestHead, room-answerHead
	if d.Segmentation == SegmentedBoth || d.Segmentation == SegmentedTransmit {
		answering *= mostSegments / 4 // guesses may be short by three quarters
	}
	for i, p := range all {
		ask, answer := weight(p)
		if i == 0 || all[i-1].Object != p.Object {
			ask, answer = ask+7, answer+7
		}
		asking, answering = asking-ask, answering-answer
		if i > 0 && (asking < 0 || answering < 0) {
			return i
		}
	}
	return len(all)
}

// weight is the bytes that a property takes in a request and, at a guess, in
// the answer. A number has five, a name that can be of any length is given 64.
func weight(p Reference) (ask, answer int) {
	ask = len(p.appendProperty(nil, 0))
	value := 5
	switch p.Property {
	case ObjectName, Description:
		value = 64
	case ObjectList, PriorityArray, StateText:
		if !p.Indexed {
			value = 1 << 10
		}
	}
	return ask, ask + 2 + max(value, 4)
}
