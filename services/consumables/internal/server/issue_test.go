package server_test

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
)

func (d desk) back(issue, amount, reason string) (*consumablesv1.StockMovement, error) {
	return d.ReturnStock(d.clerk(), &consumablesv1.ReturnStockRequest{Name: issue, Quantity: litres(amount), Location: shelf, Reason: reason})
}

func (d desk) reverse(movement string) (*consumablesv1.StockMovement, error) {
	return d.ReverseMovement(d.clerk(), &consumablesv1.ReverseMovementRequest{Name: movement, Reason: "a mistake"})
}

// T01 and T02 (double entry): nothing is available before the lot is cleared; a claim moves nothing; an issue fills it.
func TestFromDeliveryToIssue(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.received("cleaner", "l1", "3.785", days(200)).GetName()
		d.known(order)
		_, err := d.ReserveStock(d.clerk(), &consumablesv1.ReserveStockRequest{
			WorkOrder: order, Item: "items/cleaner", Quantity: litres("0.27"), NeedTime: timestamppb.New(days(1)),
		})
		refused(t, "claimed before it is cleared", err, "INSUFFICIENT_STOCK")
		of(d.ClearLot(d.clerk(), &consumablesv1.ClearLotRequest{Name: lot, Location: "locations/back"})).done(t)
		d.needs(order, "cleaner", "0.27")
		got := of(d.GetLot(d.clerk(), &consumablesv1.GetLotRequest{Name: lot})).done(t)
		if got.GetOnHand().GetValue() != "3.785" || got.GetReserved().GetValue() != "0.27" {
			t.Errorf("claimed: on hand %v, reserved %v", got.GetOnHand(), got.GetReserved())
		}
		m := of(d.issue(lot, order, "0.27")).done(t)
		if len(m.GetPostings()) != 2 || m.GetRemaining().GetValue() != "3.515" || m.GetPerson() != "people/cleo" {
			t.Errorf("movement %v", m)
		}
		got = of(d.GetLot(d.clerk(), &consumablesv1.GetLotRequest{Name: lot})).done(t)
		if d.at(lot, "locations/back") != "3.515" || d.at(lot, order) != "0.27" || d.at(lot, store.Supplier) != "-3.785" || got.GetReserved().GetValue() != "0" {
			t.Errorf("issued: %v, reserved %v", got.GetBalances(), got.GetReserved())
		}
		demands := of(d.ListStockDemands(d.clerk(), &consumablesv1.ListStockDemandsRequest{})).done(t).GetStockDemands()
		if len(demands) != 1 || demands[0].GetState() != consumablesv1.StockDemand_ISSUED {
			t.Errorf("demands %v", demands)
		}
	})
}

func TestIssuesThatAreRefusedMoveNothing(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.stocked("cleaner", "first", "1", days(30))
		d.stocked("cleaner", "later", "5", days(200))
		held := d.received("cleaner", "held", "5", days(200)).GetName()
		recalled := d.stocked("cleaner", "bad", "5", days(300)).GetName()
		of(d.RecallLot(d.clerk(), &consumablesv1.RecallLotRequest{Name: recalled, Reason: "maker's letter"})).done(t)
		d.stocked("cleaner", "brief", "5", days(0))
		d.needs("workOrders/other", "cleaner", "0.8")
		d.needs(order, "cleaner", "1")
		for _, c := range []struct {
			what, reason string
			req          *consumablesv1.IssueStockRequest
		}{
			{"more than is free", "INSUFFICIENT_STOCK", &consumablesv1.IssueStockRequest{Name: "lots/first", WorkOrder: order, Quantity: litres("0.9")}},
			{"held", "LOT_HELD", &consumablesv1.IssueStockRequest{Name: held, WorkOrder: order, Quantity: litres("1")}},
			{"recalled", "LOT_RECALLED", &consumablesv1.IssueStockRequest{Name: recalled, WorkOrder: order, Quantity: litres("1")}},
			// T12: good today, over when the order needs it.
			{"over before the need", "LOT_EXPIRED", &consumablesv1.IssueStockRequest{Name: "lots/brief", WorkOrder: order, Quantity: litres("1")}},
			{"not the first", "LOT_NOT_FIRST_TO_EXPIRE", &consumablesv1.IssueStockRequest{Name: "lots/later", WorkOrder: order, Quantity: litres("0.2")}},
			{"no demand", "WORK_ORDER_UNKNOWN", &consumablesv1.IssueStockRequest{Name: "lots/first", WorkOrder: "workOrders/none", Quantity: litres("0.1")}},
			{"nothing", "QUANTITY_NOT_POSITIVE", &consumablesv1.IssueStockRequest{Name: "lots/first", WorkOrder: order, Quantity: litres("0")}},
			{"a place of the books", "NOT_FOUND", &consumablesv1.IssueStockRequest{
				Name: "lots/first", WorkOrder: order, Quantity: litres("0.1"), Location: store.Supplier,
			}},
			{"tomorrow", "TIME_IN_FUTURE", &consumablesv1.IssueStockRequest{
				Name: "lots/first", WorkOrder: order, Quantity: litres("0.1"), EffectiveTime: timestamppb.New(days(1)),
			}},
			{"an old etag", "ETAG_MISMATCH", &consumablesv1.IssueStockRequest{Name: "lots/first", WorkOrder: order, Quantity: litres("0.1"), Etag: "v0"}},
		} {
			_, err := d.IssueStock(d.clerk(), c.req)
			refused(t, c.what, err, c.reason)
		}
		_, err := d.IssueStock(d.as("tina", "technician"), &consumablesv1.IssueStockRequest{Name: "lots/first", WorkOrder: order, Quantity: litres("0.1")})
		refused(t, "a technician", err, "ROLE_MISSING")
		if moves := of(d.ListStockMovements(d.clerk(), &consumablesv1.ListStockMovementsRequest{Filter: `kind = "ISSUED"`})).done(t); len(moves.GetStockMovements()) != 0 {
			t.Errorf("moved: %v", moves)
		}
		of(d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: "lots/later", WorkOrder: order, Quantity: litres("0.2"), OverrideReason: "the first is out of reach"})).done(t)
	})
}

// T05 and T06 (draft-ietf-httpapi-idempotency-key-header): the same key moves stock once; another request with it is refused.
func TestTheSameKeyIssuesOnce(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		d.needs(order, "cleaner", "1")
		req := &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres("0.27"), RequestId: "6d0a3c52-2f64-4d58-9d7c-0f2f3a9e1b11"}
		first := of(d.IssueStock(d.clerk(), req)).done(t)
		d.clock.Advance(time.Hour)
		if second := of(d.IssueStock(d.clerk(), req)).done(t); !proto.Equal(first, second) || d.at(lot, shelf) != "4.73" {
			t.Errorf("second answer %v, %s on the shelf", second, d.at(lot, shelf))
		}
		req.Quantity = litres("0.28")
		_, err := d.IssueStock(d.clerk(), req)
		refused(t, "another request", err, "IDEMPOTENCY_KEY_REUSED")
	})
}

func TestOnlyWhatWasIssuedComesBack(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		one := d.issued("cleaner", lot, order, "1")
		two := d.issued("cleaner", lot, "workOrders/w2", "1")
		_, err := d.back(one.GetName(), "1.1", "")
		refused(t, "more than the issue", err, "RETURN_EXCEEDS_ISSUE")
		back := of(d.back(one.GetName(), "0.6", "left over; see "+two.GetName())).done(t)
		_, err = d.back(one.GetName(), "0.5", "")
		refused(t, "more than is left of it", err, "RETURN_EXCEEDS_ISSUE")
		of(d.back(two.GetName(), "1", "")).done(t)
		_, err = d.back(back.GetName(), "0.1", "")
		refused(t, "back from a return", err, "RETURN_EXCEEDS_ISSUE")
		_, err = d.ReturnStock(d.clerk(), &consumablesv1.ReturnStockRequest{Name: one.GetName(), Quantity: litres("0.1"), Location: store.Waste})
		refused(t, "to a place of the books", err, "NOT_FOUND")
		if d.at(lot, shelf) != "4.6" || d.at(lot, order) != "0.4" || d.at(lot, "workOrders/w2") != "0" {
			t.Errorf("shelf %s, jobs %s and %s", d.at(lot, shelf), d.at(lot, order), d.at(lot, "workOrders/w2"))
		}
		of(d.reverse(back.GetName())).done(t)
		of(d.back(one.GetName(), "1", "")).done(t)
		if d.at(lot, shelf) != "5" {
			t.Errorf("shelf %s", d.at(lot, shelf))
		}
	})
}

func TestAMistakeIsUndoneOnce(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		issue := d.issued("cleaner", lot, order, "1")
		mirror := of(d.reverse(issue.GetName())).done(t)
		if d.at(lot, shelf) != "5" || mirror.GetReversesMovement() != issue.GetName() || mirror.GetKind() != consumablesv1.StockMovement_REVERSED {
			t.Errorf("reversal %v, shelf %s", mirror, d.at(lot, shelf))
		}
		if got := of(d.GetStockMovement(d.clerk(), &consumablesv1.GetStockMovementRequest{Name: issue.GetName()})).done(t); got.GetReversalMovement() != mirror.GetName() {
			t.Errorf("the mistake does not name its reversal: %v", got)
		}
		for _, name := range []string{issue.GetName(), mirror.GetName()} {
			_, err := d.reverse(name)
			refused(t, "undone again", err, "MOVEMENT_ALREADY_REVERSED")
		}
		// The order wants it again; what never went out can't come back, whatever else the order was given of the lot.
		again := of(d.issue(lot, order, "1")).done(t)
		_, err := d.back(issue.GetName(), "0.1", "")
		refused(t, "back from a mistake", err, "RETURN_EXCEEDS_ISSUE")
		demand := of(d.ListStockDemands(d.clerk(), &consumablesv1.ListStockDemandsRequest{})).done(t).GetStockDemands()[0]
		if demand.GetIssued().GetValue() != "1" || demand.GetState() != consumablesv1.StockDemand_ISSUED {
			t.Errorf("demand %v", demand)
		}
		of(d.ConsumeStock(d.as("tina", "technician"), &consumablesv1.ConsumeStockRequest{Name: lot, WorkOrder: order, Engine: "engines/e1", Quantity: litres("1")})).done(t)
		_, err = d.reverse(again.GetName())
		refused(t, "used since", err, "INSUFFICIENT_STOCK")
	})
}

// A delivery that was booked by mistake leaves the lot as if it had never come, and a right one can follow.
func TestAMistakenDeliveryIsUndone(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.received("cleaner", "l1", "5", days(200)).GetName()
		moves := of(d.ListStockMovements(d.clerk(), &consumablesv1.ListStockMovementsRequest{})).done(t).GetStockMovements()
		of(d.reverse(moves[0].GetName())).done(t)
		if got := of(d.GetLot(d.clerk(), &consumablesv1.GetLotRequest{Name: lot})).done(t); got.GetReceived().GetValue() != "0" || len(got.GetBalances()) != 0 {
			t.Errorf("received %v, balances %v", got.GetReceived(), got.GetBalances())
		}
		if again := d.received("cleaner", "l1", "4", days(200)); again.GetName() != lot || again.GetReceived().GetValue() != "4" {
			t.Errorf("again: %v", again)
		}
	})
}

// T03 (rule: no negative stock): a refused issue says what there is, and the advice offers that and names what is missing.
func TestAShortIssueIsOfferedInPart(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "0.2", days(200)).GetName()
		d.needs(order, "cleaner", "0.2")
		_, err := d.issue(lot, order, "0.27")
		refused(t, "270 of 200", err, "INSUFFICIENT_STOCK")
		if refusal, _ := fault.As(err); refusal == nil || refusal.Metadata["available"] != "0.2" {
			t.Errorf("the refusal does not say what there is: %v", err)
		}
		advice := of(d.SuggestLots(d.clerk(), &consumablesv1.SuggestLotsRequest{
			Item: "items/cleaner", QuantityValue: "0.27", QuantityUnitCode: "L", WorkOrder: order,
		})).done(t)
		if s := advice.GetSuggestions(); len(s) != 1 || s[0].GetQuantity().GetValue() != "0.2" || advice.GetShortfall().GetValue() != "0.07" {
			t.Errorf("advice %v", advice)
		}
	})
}

// T04 (rule: no negative stock under concurrency): of two issues of 150 from 200 at once, one is booked and one is refused.
func TestTwoClerksWantTheSameStock(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "0.2", days(200)).GetName()
		d.needs(order, "cleaner", "0.2")
		errs := make(chan error, 2)
		for range cap(errs) {
			go func() {
				_, err := d.issue(lot, order, "0.15")
				errs <- err
			}()
		}
		first, second := <-errs, <-errs
		if first != nil {
			first, second = second, first
		}
		refused(t, "the one who came second", second, "INSUFFICIENT_STOCK")
		if first != nil || d.at(lot, shelf) != "0.05" || d.at(lot, order) != "0.15" {
			t.Errorf("%v: shelf %s, job %s", first, d.at(lot, shelf), d.at(lot, order))
		}
	})
}

// T07, as this suite decided it: a repeat waits for the first answer under the same key instead of being refused.
func TestARepeatDuringTheFirstGetsItsAnswer(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		d.needs(order, "cleaner", "1")
		req := &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: litres("0.27"), RequestId: "6d0a3c52-2f64-4d58-9d7c-0f2f3a9e1b12"}
		answers := make(chan result[*consumablesv1.StockMovement], 8)
		for range cap(answers) {
			go func() { answers <- of(d.IssueStock(d.clerk(), req)) }()
		}
		first := (<-answers).done(t)
		for range cap(answers) - 1 {
			if again := (<-answers).done(t); !proto.Equal(first, again) {
				t.Errorf("%v and %v", first, again)
			}
		}
		if d.at(lot, shelf) != "4.73" {
			t.Errorf("%s on the shelf", d.at(lot, shelf))
		}
	})
}

// T10 and T11 (rules: earliest end first, expired and held lots are passed over, an opened container first on a tie).
func TestTheAdviceTakesTheEarliestEnd(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.stocked("cleaner", "c", "0.9", days(0))
		d.stocked("cleaner", "a", "0.5", time.Date(2027, 3, 31, 0, 0, 0, 0, time.UTC))
		d.stocked("cleaner", "b", "0.1", time.Date(2027, 1, 31, 0, 0, 0, 0, time.UTC))
		d.received("cleaner", "d", "0.05", time.Date(2026, 12, 31, 0, 0, 0, 0, time.UTC))
		d.clock.Advance(24 * time.Hour)
		ask := &consumablesv1.SuggestLotsRequest{Item: "items/cleaner", QuantityValue: "0.27", QuantityUnitCode: "L"}
		advice := of(d.SuggestLots(d.clerk(), ask)).done(t)
		var got []string
		for _, s := range advice.GetSuggestions() {
			got = append(got, s.GetLot()+" "+s.GetQuantity().GetValue())
		}
		for _, s := range advice.GetSkipped() {
			got = append(got, s.GetLot()+" "+s.GetReason())
		}
		if want := []string{"lots/b 0.1", "lots/a 0.17", "lots/c LOT_EXPIRED", "lots/d LOT_HELD"}; !slices.Equal(got, want) {
			t.Errorf("advice %v, want %v", got, want)
		}
		opened := of(d.decant("lots/b", "0.04", "")).done(t) // its last day is still the earlier one
		d.stocked("cleaner", "e", "0.01", time.Date(2027, 1, 31, 0, 0, 0, 0, time.UTC))
		first := of(d.SuggestLots(d.clerk(), ask)).done(t).GetSuggestions()[0]
		if first.GetLot() != opened.GetName() {
			t.Errorf("tie: %s first", first.GetLot())
		}
	})
}
