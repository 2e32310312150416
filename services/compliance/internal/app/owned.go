package app

import (
	"context"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/owners"
)

// unlimited is a context in which everything is read, whoever asks: what was found for a caller who is limited to owners is worked out from
// all that bears on it, such as the aircraft of another that an engine is on. What is then told names nothing of another's.
func unlimited(ctx context.Context) context.Context {
	id, _ := auth.FromContext(ctx)
	if len(id.Owners) == 0 {
		return ctx
	}
	id.Owners = nil
	return auth.NewContext(ctx, id)
}

// learnOwner keeps whose a thing is, and with it every component in it.
func (u unit) learnOwner(ctx context.Context, name, owner string) error {
	parts, err := u.partsWithin(ctx, name)
	if err != nil {
		return err
	}
	for _, one := range append([]string{name}, parts...) {
		if err := owners.Learn(ctx, u.Tx, one, owner); err != nil {
			return err
		}
	}
	return nil
}
