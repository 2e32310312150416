package app

import (
	"cmp"
	"context"
	"fmt"
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

// hadThen refuses a use that is dated before the job had so much, by more than a minute to which times are written, or when other entries took
// of it later: the trace as of then would have it on the engine and nowhere before. Where the job has too little now, the ledger says so.
// Reason: TIME_BEFORE_ISSUE.
func (u unit) hadThen(ctx context.Context, lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro, order string, at time.Time) error {
	if sealed := lot.GetSourceLot(); sealed != "" { // a pack that was opened for this use is dated with it: the job had it sealed by then
		had, _, err := store.LowestFrom(ctx, u.Tx, sealed, order, at.Add(time.Minute))
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
	had, when, err := store.LowestFrom(ctx, u.Tx, lot.GetName(), order, at.Add(time.Minute))
	if err != nil || had >= amount {
		return err
	}
	if when.After(at.Add(time.Minute)) {
		return fault.Precondition("TIME_BEFORE_ISSUE", "Other entries left %s with %s %s of lot %s at %s, and %s was used before. Correct the time; or correct those entries first.",
			order, max(0, had).Text(), item.GetBaseUnitCode(), lot.GetName(), when.UTC().Format(time.RFC3339), amount.Text()).With("lot", lot.GetName())
	}
	return fault.Precondition("TIME_BEFORE_ISSUE", "%s had %s %s of lot %s at %s, and %s was used. Correct the time; or, if the issue was booked late, reverse it and book it "+
		"with the time at which it was handed out.", order, max(0, had).Text(), item.GetBaseUnitCode(), lot.GetName(), at.UTC().Format(time.RFC3339), amount.Text()).With("lot", lot.GetName())
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

// hadForMix is the container that a part of a mix was poured out of, which the job had then and which might be used then; what blocked it since
// blocks the mix. Reasons: those of usableThen and hadThen, TIME_BEFORE_LOT.
func (u unit) hadForMix(
	ctx context.Context, m *mix, lot *consumablesv1.Lot, item *consumablesv1.Item, amount stock.Micro, req *consumablesv1.BlendLotsRequest,
) (*consumablesv1.Lot, error) {
	if _, err := u.happenedTo(ctx, lot, "effective_time", timestamppb.New(m.at)); err != nil {
		return nil, err
	}
	lot, err := u.atJob(ctx, lot, item, amount, req.GetWorkOrder(), m.at)
	if err != nil {
		return nil, err
	}
	if err := u.usableThen(ctx, lot, item, m.at); err != nil {
		return nil, err
	}
	whole := amount // of what is poured out of it: one lot may be named in several parts
	for _, p := range m.parts {
		if p.Lot == lot.GetName() {
			whole += p.Amount
		}
	}
	if err := u.hadThen(ctx, lot, item, whole, req.GetWorkOrder(), m.at); err != nil {
		return nil, err
	}
	m.blockedWith(lot)
	return lot, nil
}

// blockedWith blocks a mix as one of its parts is: as recalled where any is, else on hold for the sake of the first; since the first of them was
// blocked.
func (m *mix) blockedWith(part *consumablesv1.Lot) {
	block := blockOf(part)
	if block == nil {
		return
	}
	since := block.GetBlockTime()
	if before := m.block.GetBlockTime(); before != nil && before.AsTime().Before(since.AsTime()) {
		since = before
	}
	if m.block == nil || m.block.GetState() != consumablesv1.Lot_RECALLED && block.GetState() == consumablesv1.Lot_RECALLED {
		m.block = block
	}
	m.block.BlockTime = since
}

// blockOf is how what is made of a lot is blocked, where the lot was blocked since; else nil. What comes from one whose life ended while it was on
// hold is cleared with it by nobody any more, so that it waits for a look of its own.
func blockOf(lot *consumablesv1.Lot) *consumablesv1.Lot {
	if lot.GetBlockTime() == nil {
		return nil
	}
	block := &consumablesv1.Lot{State: consumablesv1.Lot_HELD, HoldReason: cameFromHeld(lot), BlockTime: lot.GetBlockTime()}
	switch lot.GetState() {
	case consumablesv1.Lot_RECALLED:
		block.State, block.HoldReason = consumablesv1.Lot_RECALLED, lot.GetHoldReason()
	case consumablesv1.Lot_HELD:
		block.HeldOrigin = cmp.Or(lot.GetHeldOrigin(), lot.GetName())
	default:
	}
	return block
}

func cameFromHeld(lot *consumablesv1.Lot) string {
	return fmt.Sprintf("It came from %s, which is held: %s", lot.GetName(), lot.GetHoldReason())
}

// madeLate tells of what was mixed or filled over and booked after what it was made of was blocked: who read what was blocked then knows nothing
// of it.
func (u unit) madeLate(ctx context.Context, lot *consumablesv1.Lot, m *consumablesv1.StockMovement) error {
	if lot.GetState() == consumablesv1.Lot_HELD {
		return u.lotFact(ctx, "held", lot, lot.GetOnHand(), lot.GetHoldReason())
	}
	return u.reachedLate(ctx, lot, m)
}
