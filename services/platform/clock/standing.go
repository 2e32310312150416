package clock

import (
	"context"
	"time"
)

type standing struct{}

// Standing returns a context in which time stands still at an instant: all that comes of one cause happens at one instant, whenever it is done.
func Standing(ctx context.Context, at time.Time) context.Context {
	return context.WithValue(ctx, standing{}, at)
}

// Now is the instant at which time stands in the context, or else the clock's.
func Now(ctx context.Context, c Clock) time.Time {
	if at, ok := ctx.Value(standing{}).(time.Time); ok {
		return at
	}
	return c.Now()
}
