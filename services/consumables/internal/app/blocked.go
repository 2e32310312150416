package app

import (
	"context"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
)

// blockAs puts a lot on hold or recalls it, for the sake of another one where that is named. Since when it may not be used stays as it was for a
// lot that could not be used before; of one that was blocked before that was kept, it stays unknown.
func (u unit) blockAs(lot *consumablesv1.Lot, state consumablesv1.Lot_State, reason, origin string) {
	if lot.GetBlockTime() == nil && lot.GetHoldReason() == "" {
		lot.BlockTime = timestamppb.New(u.now)
	}
	lot.State, lot.HoldReason, lot.HeldOrigin = state, reason, origin
}

// unblockAs ends what blockAs began.
func unblockAs(lot *consumablesv1.Lot, state consumablesv1.Lot_State) {
	lot.State, lot.HoldReason, lot.HeldOrigin, lot.BlockTime = state, "", "", nil
}

// stateThen is the state of a lot at an instant of the past, as far as it decides whether the lot might be used then; its end of life is judged by
// itself. What is not known of that time counts as it is now.
func stateThen(lot *consumablesv1.Lot, at time.Time) consumablesv1.Lot_State {
	state, since := lot.GetState(), lot.GetBlockTime()
	blocked := lot.GetHoldReason() != "" || since != nil
	switch state {
	case consumablesv1.Lot_HELD, consumablesv1.Lot_RECALLED:
		blocked = true
	case consumablesv1.Lot_EXPIRED:
	default:
		return state
	}
	if !blocked || since != nil && at.Before(since.AsTime()) {
		return consumablesv1.Lot_USABLE
	}
	return state
}

// usableOnlyThen reports whether a lot might be used at an instant and may not be now.
func usableOnlyThen(lot *consumablesv1.Lot, at time.Time) bool {
	return lot.GetState() != consumablesv1.Lot_USABLE && stateThen(lot, at) == consumablesv1.Lot_USABLE
}

// rulesThen is rules at an instant of the past, by the lot's state of then.
func (u unit) rulesThen(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, at time.Time) stock.Candidate {
	c, since := u.rules(ctx, lot, item, at), lot.GetBlockTime()
	c.State = stateThen(lot, at).String()
	if later := slices.Contains([]string{"WATER_TEST_FAILED", "WATER_TEST_DOUBTED"}, c.UntestedReason); later && since != nil && at.Before(since.AsTime()) {
		c.Untested = "" // it was cleared on a test that counted then
	}
	return c
}

// hadThen refuses a use that is dated before the job had so much, by more than a minute to which times are written: the trace as of then would have
// it on the engine and nowhere before. Where the job has too little now, the ledger says so. Reason: TIME_BEFORE_ISSUE.
func (u unit) hadThen(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro, order string, at time.Time) error {
	if sealed := lot.GetSourceLot(); sealed != "" { // a pack that was opened for this use is dated with it: the job had it sealed by then
		had, err := store.BalanceAt(ctx, u.Tx, sealed, order, at.Add(time.Minute))
		if err != nil {
			return err
		}
		if had < 0 {
			return fault.Precondition("TIME_BEFORE_ISSUE", "%s had no sealed pack of lot %s at %s. Correct the time; or, if the issue was booked late, reverse it and book it "+
				"with the time at which it was handed out.", order, sealed, at.UTC().Format(time.RFC3339)).With("lot", sealed)
		}
	}
	now, err := store.Balance(ctx, u.Tx, lot.GetName(), order)
	if err != nil || now < amount {
		return err
	}
	then, err := store.BalanceAt(ctx, u.Tx, lot.GetName(), order, at.Add(time.Minute))
	if err != nil || then >= amount {
		return err
	}
	return fault.Precondition("TIME_BEFORE_ISSUE", "%s had %s %s of lot %s at %s, and %s was used. Correct the time; or, if the issue was booked late, reverse it and book it "+
		"with the time at which it was handed out.", order, then.Text(), item.GetBaseUnitCode(), lot.GetName(), at.UTC().Format(time.RFC3339), amount.Text()).With("lot", lot.GetName())
}

// usableThen refuses what happened with a lot at an instant at which it might not be used. One that was blocked since was usable then: who books
// that late must not have to hide it, or no recall finds the engine.
func (u unit) usableThen(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, at time.Time) error {
	reason, why := stock.Refuse(u.rulesThen(ctx, lot, item, at), at)
	if reason == "" {
		return nil
	}
	f := fault.Precondition(reason, "%s", why)
	if since := lot.GetBlockTime(); since != nil && (reason == "LOT_HELD" || reason == "LOT_RECALLED") {
		f = fault.Precondition(reason, "Lot %s is %s since %s (%s), and this is booked for %s. If it happened before, give the time at which it did; else set the lot aside and take another one.",
			lot.GetName(), lot.GetState(), since.AsTime().Format(time.RFC3339), lot.GetHoldReason(), at.UTC().Format(time.RFC3339)).
			With("block_time", since.AsTime().Format(time.RFC3339))
	}
	return f.With("lot", lot.GetName())
}
