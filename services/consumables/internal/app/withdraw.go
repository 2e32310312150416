package app

import (
	"context"
	"slices"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
)

// WithdrawRecall takes a recall back. All that it blocked is on hold then and not usable: what was known of each before is gone, so that each
// is looked at and cleared by itself.
func (a *App) WithdrawRecall(ctx context.Context, req *consumablesv1.WithdrawRecallRequest) (*consumablesv1.Lot, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.Lot, error) {
		u := a.unit(ctx, tx)
		roots, err := u.toRecall(ctx, req.GetName(), req.GetEtag())
		if err != nil {
			return nil, err
		}
		lot, err := store.Lots.Get(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if lot.GetState() != consumablesv1.Lot_RECALLED {
			return nil, fault.Precondition("LOT_NOT_RECALLED", "Lot %s is %s and not recalled. Read it anew, and name the lot whose recall is taken back.", lot.GetName(), lot.GetState())
		}
		if origin, err := u.recalledOrigin(ctx, lot.GetName(), nil); err != nil {
			return nil, err
		} else if origin != "" {
			return nil, fault.Precondition("ORIGIN_RECALLED", "Lot %s came from %s, which is recalled. Take the recall of that lot back first.", lot.GetName(), origin).
				With("origin", origin)
		}
		if err := u.unblock(ctx, roots, req.GetReason()); err != nil {
			return nil, err
		}
		return store.Lots.Get(ctx, tx, lot.GetName())
	})
}

// unblock puts recalled lots and what was made from them on hold, but for what a recalled lot of elsewhere is in as well.
func (u unit) unblock(ctx context.Context, roots []string, reason string) error {
	var family []string
	for _, root := range roots {
		made, err := u.descendants(ctx, root)
		if err != nil {
			return err
		}
		family = append(family, made...)
	}
	family = unique(family)
	for _, name := range family {
		lot, err := store.Lots.Lock(ctx, u.Tx, name)
		if err != nil {
			return err
		}
		if lot.GetState() != consumablesv1.Lot_RECALLED {
			continue
		}
		origin, err := u.recalledOrigin(ctx, name, family)
		if err != nil {
			return err
		}
		if origin == "" {
			err = u.unblocked(ctx, lot, reason)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (u unit) unblocked(ctx context.Context, lot *consumablesv1.Lot, reason string) error {
	left, err := u.anywhere(ctx, lot.GetName())
	if err != nil {
		return err
	}
	why := "Its recall was taken back: " + reason
	u.blockAs(lot, consumablesv1.Lot_HELD, why, "")
	if left == 0 { // since when it was blocked stays: what is found of it again is looked at first
		lot.State, lot.HoldReason = consumablesv1.Lot_EMPTIED, ""
	}
	if err := store.Lots.Save(ctx, u.Tx, lot, u.now); err != nil {
		return err
	}
	return u.lotFact(ctx, "held", lot, lot.GetOnHand(), why)
}

// recalledOrigin is a recalled lot that this one came from, at any depth, and that is not among those left out; empty when there is none.
func (u unit) recalledOrigin(ctx context.Context, name string, leftOut []string) (string, error) {
	names, err := u.walk(ctx, name, false)
	if err != nil {
		return "", err
	}
	for _, origin := range names[1:] {
		if slices.Contains(leftOut, origin) {
			continue
		}
		lot, err := store.Lots.Get(ctx, u.Tx, origin)
		if err != nil || lot.GetState() == consumablesv1.Lot_RECALLED {
			return origin, err
		}
	}
	return "", nil
}
