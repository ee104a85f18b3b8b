package bacnet

import "context"

// Write commands a property. The priority must be from 9 to 16, else
// [ErrPriority]. A write has no retries of its own beyond a request's: to
// command the same value twice is to command it once.
func (c *Client) Write(ctx context.Context, device uint32, w Write) error {
	if w.Priority < 9 || w.Priority > 16 {
		return ErrPriority
	}
	d, err := c.device(ctx, device)
	if err != nil {
		return err
	}
	_, err = c.request(ctx, d.Station, ServiceWriteProperty, w.Append(nil))
	return err
}

// Relinquish takes back what was commanded at a priority: it writes Null.
func (c *Client) Relinquish(ctx context.Context, device uint32, p Reference, priority uint8) error {
	return c.Write(ctx, device, Write{Reference: p, Value: NullValue(), Priority: priority})
}
