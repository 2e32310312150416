package app

import (
	"context"
	"slices"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// VoidFitting takes an entry of a fitting back that was never true. It stays for what was known before.
func (a *App) VoidFitting(ctx context.Context, req *compliancev1.VoidFittingRequest) (*compliancev1.Fitting, error) {
	proof, proofErr := a.Keys.VerifyReauth(ctx, req.GetReauthenticationToken(), a.Clock.Now())
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Fitting, error) {
		u := a.unit(ctx, tx)
		if err := u.mayAmend(ctx, req.GetReason(), proof, proofErr); err != nil {
			return nil, err
		}
		return u.voidFitting(ctx, req)
	})
}

func (u unit) voidFitting(ctx context.Context, req *compliancev1.VoidFittingRequest) (*compliancev1.Fitting, error) {
	known, err := store.Fittings.Get(ctx, u.Tx, req.GetName())
	if err != nil {
		return nil, err
	}
	host, err := u.thing(ctx, known.GetHost()) // in the order in which fitting and flying lock them
	if err != nil {
		return nil, err
	}
	item, err := u.thing(ctx, known.GetItem())
	if err != nil {
		return nil, err
	}
	f, err := store.Fittings.Lock(ctx, u.Tx, req.GetName())
	if err != nil {
		return nil, err
	}
	if err := resource.CheckEtag(f, req.GetEtag()); err != nil {
		return nil, err
	}
	if err := holds(f); err != nil {
		return nil, err
	}
	f.Correction, f.CorrectTime, f.VoidReason, f.Voider = f.GetName(), timestamppb.New(u.now), req.GetReason(), u.caller.Person
	if err := store.Fittings.Save(ctx, u.Tx, f, u.now); err != nil {
		return nil, err
	}
	if err := u.signVoid(ctx, f); err != nil {
		return nil, err
	}
	return f, u.takeBack(ctx, f, host, item)
}

// holds refuses an entry that was corrected or taken back already. Reason: ALREADY_CORRECTED.
func holds(f *compliancev1.Fitting) error {
	switch f.GetCorrection() {
	case "":
		return nil
	case f.GetName():
		return fault.Precondition("ALREADY_CORRECTED", "%s was taken back: %s. Enter what was true as a new fitting.", f.GetName(), f.GetVoidReason())
	default:
		return fault.Precondition("ALREADY_CORRECTED", "%s was corrected by %s. Correct that one.", f.GetName(), f.GetCorrection()).With("successor", f.GetCorrection())
	}
}

func (u unit) signVoid(ctx context.Context, f *compliancev1.Fitting) error {
	_, _, err := recordchain.Append(ctx, u.Tx, recordchain.Entry{
		Stream: "fittings", Kind: "voided", Subject: f.GetName(), At: u.now, Actor: u.caller.Account, Fields: []recordchain.Field{
			{Name: "reason", Value: f.GetVoidReason()}, {Name: "person", Value: u.caller.Person}, {Name: "item", Value: f.GetItem()},
			{Name: "host", Value: f.GetHost()}, {Name: "position", Value: f.GetPosition()},
			{Name: "was_from", Value: dateOf(f.GetInstallDate()).String()}, {Name: "was_to", Value: dateOf(f.GetRemoveDate()).String()},
		},
	})
	return err
}

// takeBack takes an item off where it is by the entry, and gives the flying since then to what was fitted in truth.
func (u unit) takeBack(ctx context.Context, f *compliancev1.Fitting, host, item thing) error {
	from := dateOf(f.GetInstallDate())
	plane, onPlane := host.(*compliancev1.Aircraft)
	switch item := item.(type) {
	case *compliancev1.Engine:
		if f.GetRemoveDate() == nil && onPlane {
			plane.Engines = slices.DeleteFunc(plane.GetEngines(), func(n string) bool { return n == item.GetName() })
			item.Aircraft, item.Position = "", ""
			_, err := u.saveFit(ctx, plane, item, from)
			return err
		}
	case *compliancev1.Component:
		if f.GetRemoveDate() == nil {
			item.Host, item.Position = "", ""
			_, err := u.saveComponent(ctx, item, f.GetHost(), from)
			return err
		}
	}
	return u.refollow(ctx, f.GetHost(), f.GetItem(), from)
}

// refollow gives the flying of a host from a day on to what was fitted then, and works out anew what depends on an item.
func (u unit) refollow(ctx context.Context, host, item string, from civil.Date) error {
	m := moves{}
	if err := u.reallocate(ctx, host, from, m); err != nil {
		return err
	}
	if err := u.move(ctx, m); err != nil {
		return err
	}
	return u.recomputeWithin(ctx, item)
}

// reposition puts an item that is still fitted to the position that a correction says.
func (u unit) reposition(ctx context.Context, old, fresh *compliancev1.Fitting) error {
	if fresh.GetRemoveDate() != nil || fresh.GetPosition() == old.GetPosition() {
		return nil
	}
	item, err := u.thing(ctx, fresh.GetItem())
	if err != nil {
		return err
	}
	switch item := item.(type) {
	case *compliancev1.Engine:
		item.Position = fresh.GetPosition()
		if err := store.Engines.Save(ctx, u.Tx, item, u.now); err != nil {
			return err
		}
		return u.tellEngine(ctx, "coldsection.engine.changed.v1", item)
	case *compliancev1.Component:
		item.Position = fresh.GetPosition()
		return store.Components.Save(ctx, u.Tx, item, u.now)
	default:
		return nil
	}
}
