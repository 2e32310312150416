package server_test

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// count records what the clerk found of a lot on the shelf at an instant.
func (d desk) count(lot, found string, at time.Time) (*consumablesv1.StockCount, error) {
	return d.CreateStockCount(d.clerk(), &consumablesv1.CreateStockCountRequest{StockCount: &consumablesv1.StockCount{
		Lot: lot, Location: shelf, Counted: litres(found), CountTime: timestamppb.New(at), Reason: "a spill",
	}})
}

func (d desk) approve(person, name string) (*consumablesv1.StockCount, error) {
	return d.ApproveStockCount(d.as(person, "stores"), &consumablesv1.ApproveStockCountRequest{Name: name})
}

// T09 (rule of the stores handbook): 3,515 in the books at t0, 3,490 counted, 100 issued after t0. The count is compared with
// the ledger as of its instant, so 25 were missed and 3,390 are left after approval.
func TestACountIsComparedWithTheLedgerOfItsInstant(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "3.515", days(200)).GetName()
		d.clock.Advance(time.Hour)
		t0 := d.clock.Now()
		d.clock.Advance(time.Hour)
		d.issued("cleaner", lot, order, "0.1")
		count := of(d.count(lot, "3.49", t0)).done(t)
		if count.GetExpected().GetValue() != "3.515" || count.GetDifference().GetValue() != "-0.025" || count.GetState() != consumablesv1.StockCount_WAITING {
			t.Fatalf("count %v", count)
		}
		if got := d.at(lot, shelf); got != "3.415" {
			t.Errorf("%s on the shelf before approval", got)
		}
		_, err := d.approve("cleo", count.GetName())
		refused(t, "the counter approves", err, "SAME_PERSON")
		posted := of(d.approve("dora", count.GetName())).done(t)
		if posted.GetState() != consumablesv1.StockCount_POSTED || posted.GetApprover() != "people/dora" || posted.GetCounter() != "people/cleo" {
			t.Errorf("posted %v", posted)
		}
		if got := d.at(lot, shelf); got != "3.39" {
			t.Errorf("%s on the shelf after approval", got)
		}
		_, err = d.approve("dora", count.GetName())
		refused(t, "approved twice", err, "COUNT_POSTED")
		moves := of(d.ListStockMovements(d.clerk(), &consumablesv1.ListStockMovementsRequest{Filter: `kind = "COUNTED"`})).done(t).GetStockMovements()
		if len(moves) != 1 || moves[0].GetQuantity().GetValue() != "0.025" || moves[0].GetPerson() != "people/dora" ||
			!moves[0].GetEffectiveTime().AsTime().Equal(t0) || moves[0].GetReason() != count.GetName()+": a spill" {
			t.Errorf("movements %v", moves)
		}
		trace := of(d.TraceLot(d.clerk(), &consumablesv1.TraceLotRequest{Name: lot})).done(t)
		if got := trace.GetBalanceLines()[0].GetDifference().GetValue(); got != "0.025" {
			t.Errorf("the trace says that %s were missed", got)
		}
	})
}

func TestCountsThatAgreeFindOrEmpty(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "2", days(200)).GetName()
		agreed := of(d.count(lot, "2", d.clock.Now())).done(t)
		if agreed.GetState() != consumablesv1.StockCount_AGREED || agreed.GetDifference().GetValue() != "0" {
			t.Errorf("agreed %v", agreed)
		}
		_, err := d.approve("dora", agreed.GetName())
		refused(t, "nothing to approve", err, "COUNT_AGREED")
		for _, c := range []struct {
			found, want string
			state       consumablesv1.Lot_State
		}{{"2.5", "2.5", consumablesv1.Lot_USABLE}, {"0", "0", consumablesv1.Lot_EMPTIED}, {"1", "1", consumablesv1.Lot_USABLE}} {
			d.clock.Advance(time.Minute)
			count := of(d.count(lot, c.found, d.clock.Now())).done(t)
			of(d.approve("dora", count.GetName())).done(t)
			got := of(d.GetLot(d.clerk(), &consumablesv1.GetLotRequest{Name: lot})).done(t)
			if d.at(lot, shelf) != c.want || got.GetState() != c.state {
				t.Errorf("found %s: %s on the shelf, %s", c.found, d.at(lot, shelf), got.GetState())
			}
		}
	})
}

// A difference that is no longer what the approver saw is not booked, nor one that a newer count replaced.
func TestOnlyTheDifferenceThatWasSeenIsPosted(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "3", days(200)).GetName()
		d.clock.Advance(time.Hour)
		mistake := d.issued("cleaner", lot, order, "0.5")
		d.clock.Advance(time.Hour)
		first := of(d.count(lot, "3", d.clock.Now())).done(t)
		d.clock.Advance(time.Hour)
		of(d.ReverseMovement(d.clerk(), &consumablesv1.ReverseMovementRequest{Name: mistake.GetName(), Reason: "never handed out"})).done(t)
		_, err := d.approve("dora", first.GetName())
		refused(t, "the mistake was reversed since", err, "LEDGER_CHANGED")
		if got := d.at(lot, shelf); got != "3" {
			t.Errorf("%s on the shelf", got)
		}
		second := of(d.count(lot, "2.9", d.clock.Now())).done(t)
		_, err = d.approve("dora", first.GetName())
		refused(t, "counted again", err, "COUNT_SUPERSEDED")
		of(d.approve("dora", second.GetName())).done(t)
		if got := d.at(lot, shelf); got != "2.9" {
			t.Errorf("%s on the shelf", got)
		}
	})
}

// Who found a difference has read what the books hold; counting that amount again makes the difference no less another person's to look at.
func TestADifferenceIsNotCountedAway(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "3", days(200)).GetName()
		d.clock.Advance(time.Minute)
		first := of(d.count(lot, "2.5", d.clock.Now())).done(t)
		d.clock.Advance(time.Minute)
		second := of(d.count(lot, first.GetExpected().GetValue(), d.clock.Now())).done(t)
		if second.GetState() != consumablesv1.StockCount_WAITING || second.GetDifference().GetValue() != "0" {
			t.Fatalf("counted again: %v", second)
		}
		_, err := d.approve("cleo", second.GetName())
		refused(t, "by who counted", err, "SAME_PERSON")
		posted := of(d.approve("dora", second.GetName())).done(t)
		if posted.GetState() != consumablesv1.StockCount_POSTED || d.at(lot, shelf) != "3" || d.facts("coldsection.stock.counted.v1") != 0 {
			t.Errorf("agreed to: %v, %s on the shelf", posted, d.at(lot, shelf))
		}
		d.clock.Advance(time.Minute)
		d.count(lot, "2.5", d.clock.Now())
		d.clock.Advance(time.Minute)
		other := of(d.CreateStockCount(d.as("dora", "stores"), &consumablesv1.CreateStockCountRequest{StockCount: &consumablesv1.StockCount{
			Lot: lot, Location: shelf, Counted: litres("3"), CountTime: timestamppb.New(d.clock.Now()),
		}})).done(t)
		if other.GetState() != consumablesv1.StockCount_AGREED {
			t.Errorf("another person's count: %v", other)
		}
	})
}

func TestBadCountsLeaveNothing(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "3", days(200)).GetName()
		for reason, count := range map[string]*consumablesv1.StockCount{
			"TIME_IN_FUTURE":        {Lot: lot, Location: shelf, Counted: litres("1"), CountTime: timestamppb.New(d.clock.Now().Add(time.Hour))},
			"UNIT_MISMATCH":         {Lot: lot, Location: shelf, Counted: &commonv1.Quantity{Value: "0", UnitCode: "kg"}},
			"QUANTITY_NOT_POSITIVE": {Lot: lot, Location: shelf, Counted: litres("-1")},
			"NOT_FOUND":             {Lot: lot, Location: "locations/count-difference", Counted: litres("1")},
			"FIELD_INVALID":         {Lot: lot, Counted: litres("1")},
		} {
			_, err := d.CreateStockCount(d.clerk(), &consumablesv1.CreateStockCountRequest{StockCount: count})
			refused(t, "count", err, reason)
		}
		_, err := d.CreateStockCount(d.as("tina", "technician"), &consumablesv1.CreateStockCountRequest{
			StockCount: &consumablesv1.StockCount{Lot: lot, Location: shelf, Counted: litres("1")},
		})
		refused(t, "a technician counts", err, "ROLE_MISSING")
		trial := of(d.CreateStockCount(d.clerk(), &consumablesv1.CreateStockCountRequest{
			ValidateOnly: true, StockCount: &consumablesv1.StockCount{Lot: lot, Location: shelf, Counted: litres("3")},
		})).done(t)
		if trial.GetExpected() != nil || trial.GetDifference() != nil || trial.GetState() == consumablesv1.StockCount_AGREED {
			t.Errorf("a trial run tells what the ledger holds: %v", trial)
		}
		if list := of(d.ListStockCounts(d.clerk(), &consumablesv1.ListStockCountsRequest{})).done(t); len(list.GetStockCounts()) != 0 {
			t.Errorf("left behind: %v", list)
		}
	})
}

func TestCountsAreListedNewestFirst(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "3", days(200)).GetName()
		for _, found := range []string{"3", "2"} {
			d.clock.Advance(time.Minute)
			of(d.count(lot, found, d.clock.Now())).done(t)
		}
		for filter, want := range map[string][]string{"": {"2", "3"}, `state = "WAITING"`: {"2"}, `lot = "lots/l2"`: nil} {
			var got []string
			for _, c := range of(d.ListStockCounts(d.clerk(), &consumablesv1.ListStockCountsRequest{Filter: filter})).done(t).GetStockCounts() {
				got = append(got, c.GetCounted().GetValue())
			}
			if !slices.Equal(got, want) {
				t.Errorf("%s: %v, want %v", filter, got, want)
			}
		}
	})
}
