package server_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
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
