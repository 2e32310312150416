package server_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/consumables/internal/app"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/platform/ids"
)

// wants schedules an order on so many days from the beginning of the test, with what it needs of cleaner whether or not there is any.
func (d desk) wants(order, amount string, on int) {
	d.t.Helper()
	d.wantsOf(order, "cleaner", amount, on)
}

func (d desk) wantsOf(order, item, amount string, on int) {
	d.t.Helper()
	d.jobs[order] = true
	of(0, d.heard("coldsection.workorder.scheduled.v1", &workordersv1.WorkOrderChanged{
		WorkOrder: order, Engine: "engines/e1", PlanStartTime: timestamppb.New(days(on)),
		Demands: []*workordersv1.MaterialDemand{{Item: "items/" + item, Quantity: litres(amount)}},
	})).done(d.t)
}

// stands checks what an order has claimed, misses, and waits for.
func (d desk) stands(what, order, claimed, missing, waiting string) {
	d.t.Helper()
	d.standsOf(what, order, "cleaner", claimed, missing, waiting)
}

func (d desk) standsOf(what, order, item, claimed, missing, waiting string) {
	d.t.Helper()
	got := d.demand(order, item)
	if got.GetReserved().GetValue() != claimed || got.GetShortfall().GetValue() != missing || got.GetWaiting().GetValue() != waiting {
		d.t.Errorf("%s: %s claims %s, misses %s and waits for %s; want %s, %s and %s", what, order, got.GetReserved().GetValue(), got.GetShortfall().GetValue(),
			got.GetWaiting().GetValue(), claimed, missing, waiting)
	}
}

// answers are the facts of what an order has, the oldest first: whole, or short by so much.
func (d desk) answers(order string) (told []string) {
	d.t.Helper()
	for _, typ := range []string{"coldsection.stock.ran_low.v1", "coldsection.stock.reserved.v1"} {
		for _, e := range d.factsAbout(order, typ) {
			fact := &consumablesv1.DemandsAnswered{}
			of(0, protojson.Unmarshal(e.Data, fact)).done(d.t)
			told = append(told, fmt.Sprintf("%s %s %v", fact.GetLines()[0].GetReserved().GetValue(), fact.GetLines()[0].GetShortfall().GetValue(), fact.GetComplete()))
		}
	}
	return told
}

// However stock comes in, an order that was left short has it within minutes, and is told so once; nobody has to look.
func TestWhatComesInIsClaimedForWhoWasLeftShort(t *testing.T) {
	all := func(d desk, item string) string { return d.stocked(item, item, "4", days(200)).GetName() }
	ways := map[string]func(d desk, item, other string) (comes func()){
		"a delivery that was accepted": func(d desk, item, _ string) func() {
			lot := d.received(item, item, "4", days(200)).GetName()
			return func() { of(d.clear(lot)).done(d.t) }
		},
		"a hold that was lifted": func(d desk, item, _ string) func() {
			lot := all(d, item)
			d.hold(lot)
			return func() { of(d.clear(lot)).done(d.t) }
		},
		"a recall that was taken back": func(d desk, item, _ string) func() {
			lot := all(d, item)
			d.recall(lot)
			of(d.withdraw(lot)).done(d.t)
			return func() { of(d.clear(lot)).done(d.t) }
		},
		"what another order brought back": func(d desk, item, other string) func() {
			issue := d.issued(item, all(d, item), other, "4").GetName()
			return func() { of(d.back(issue, "4", "")).done(d.t) }
		},
		"an issue that was undone": func(d desk, item, other string) func() {
			issue := d.issued(item, all(d, item), other, "4").GetName()
			return func() {
				of(d.reverse(issue)).done(d.t)
				of(0, d.heard("coldsection.workorder.voided.v1", &workordersv1.WorkOrderChanged{WorkOrder: other})).done(d.t)
			}
		},
		"a claim that another gave up": func(d desk, item, other string) func() {
			all(d, item)
			d.needs(other, item, "4")
			claim := of(d.ListReservations(d.clerk(), &consumablesv1.ListReservationsRequest{Filter: `work_order = "` + other + `"`})).done(d.t).GetReservations()[0]
			return func() {
				of(d.ReleaseReservation(d.clerk(), &consumablesv1.ReleaseReservationRequest{Name: claim.GetName()})).done(d.t)
			}
		},
		"another order that was voided": func(d desk, item, other string) func() {
			all(d, item)
			d.needs(other, item, "4")
			return func() {
				of(0, d.heard("coldsection.workorder.voided.v1", &workordersv1.WorkOrderChanged{WorkOrder: other})).done(d.t)
			}
		},
		"a count that found more": func(d desk, item, other string) func() {
			lot := d.stocked(item, item, "1", days(200)).GetName()
			d.needs(other, item, "1")
			return func() { of(d.approve("dora", of(d.count(lot, "5", d.clock.Now())).done(d.t).GetName())).done(d.t) }
		},
		"waste that was undone": func(d desk, item, _ string) func() {
			lot := all(d, item)
			m := of(d.DisposeStock(d.clerk(), &consumablesv1.DisposeStockRequest{Name: lot, Quantity: litres("4"), Location: shelf, Reason: "spilt"})).done(d.t)
			return func() {
				of(d.reverse(m.GetName())).done(d.t)
				of(d.clear(lot)).done(d.t)
			}
		},
	}
	desks(t, func(t *testing.T, d desk) {
		type short struct{ what, item, order string }
		var shorts []short
		var come []func()
		for what, way := range ways {
			n := len(shorts)
			s := short{what, fmt.Sprintf("short%d", n), fmt.Sprintf("workOrders/s%d", n)}
			of(d.CreateItem(d.clerk(), &consumablesv1.CreateItemRequest{ItemId: s.item, Item: &consumablesv1.Item{
				DisplayName: what, Kind: consumablesv1.Item_CLEANER, BaseUnitCode: "L",
			}})).done(t)
			come = append(come, way(d, s.item, fmt.Sprintf("workOrders/o%d", n)))
			d.wantsOf(s.order, s.item, "3", 5)
			shorts = append(shorts, s)
		}
		d.swept()
		for i, s := range shorts {
			d.standsOf(s.what+", before", s.order, s.item, "0", "3", "3")
			come[i]()
		}
		for range 2 { // the second look finds nothing more
			d.swept()
		}
		for _, s := range shorts {
			d.standsOf(s.what+", after", s.order, s.item, "3", "0", "0")
			if got := d.answers(s.order); !slices.Equal(got, []string{"0 3 false", "3 0 true"}) {
				t.Errorf("%s: told %q", s.what, got)
			}
		}
		d.balanced()
	})
}

// Who needs it first has it first, whoever asked first; the next has the rest, and nobody who holds a claim loses it.
func TestWhoNeedsItFirstHasItFirst(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.stocked("cleaner", "l0", "2", days(200))
		d.wants("workOrders/holds", "2", 30)
		for i, on := range []int{20, 9, 14, 3} {
			d.wants(fmt.Sprintf("workOrders/w%d", i), "2", on)
		}
		d.stocked("cleaner", "l1", "3", days(200))
		brief := d.stocked("cleaner", "brief", "9", days(2)).GetName() // ends before anybody needs it
		for range 2 {
			d.swept()
		}
		d.stands("held before", "workOrders/holds", "2", "0", "0")
		d.stands("needed first", "workOrders/w3", "2", "0", "0")
		d.stands("needed next", "workOrders/w1", "1", "1", "1")
		d.stands("needed third", "workOrders/w2", "0", "2", "2")
		d.stands("needed last", "workOrders/w0", "0", "2", "2")
		for order, want := range map[string][]string{
			"workOrders/w3": {"0 2 false", "2 0 true"}, "workOrders/w1": {"0 2 false", "1 1 false"}, "workOrders/w2": {"0 2 false"}, "workOrders/holds": {"2 0 true"},
		} {
			if got := d.answers(order); !slices.Equal(got, want) {
				t.Errorf("%s was told %q, want %q", order, got, want)
			}
		}
		if got := d.lot(brief).GetReserved(); got != nil {
			t.Errorf("%s of what ends too early is claimed", got.GetValue())
		}
		if short := d.shortTold("workOrders/w1"); !slices.ContainsFunc(short[1].GetReasons(), func(s string) bool { return s[:12] == "LOT_EXPIRED:" }) {
			t.Errorf("the reasons are %q", short[1].GetReasons())
		}
	})
}

// A claim that was lost to a recall is made good in the order of need too, beside those that were short before.
func TestALostClaimStandsInTheSameQueue(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		bad := d.stocked("cleaner", "bad", "2", days(200)).GetName()
		d.wants("workOrders/soon", "2", 2)
		d.wants("workOrders/later", "2", 9)
		d.recall(bad)
		d.stocked("cleaner", "good", "3", days(200))
		d.swept()
		d.stands("lost its claim", "workOrders/soon", "2", "0", "0")
		d.stands("was short", "workOrders/later", "1", "1", "1")
		if got := d.answers("workOrders/soon"); !slices.Equal(got, []string{"2 0 true", "2 0 true"}) {
			t.Errorf("told %q", got)
		}
	})
}

// What a planner gave up for another order is not taken back by the next look, and what a job brought back is not claimed for it again: both show
// as missing, and wait for nothing. A new plan, or a claim by hand, ends that; an issue that was undone was none.
func TestWhatWasGivenUpIsNotClaimedAgain(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		d.wants(order, "3", 5)
		claim := of(d.ListReservations(d.clerk(), &consumablesv1.ListReservationsRequest{})).done(t).GetReservations()[0].GetName()
		of(d.ReleaseReservation(d.clerk(), &consumablesv1.ReleaseReservationRequest{Name: claim})).done(t)
		d.swept()
		d.stands("given up", order, "0", "3", "0")
		of(d.ReserveStock(d.clerk(), &consumablesv1.ReserveStockRequest{WorkOrder: order, Item: "items/cleaner", Quantity: litres("1"), NeedTime: timestamppb.New(days(5))})).done(t)
		d.swept()
		d.stands("a litre by hand", order, "1", "2", "0")
		d.wants(order, "3", 6)
		d.stands("a new plan", order, "3", "0", "0")

		issue := of(d.issue(lot, order, "3")).done(t).GetName()
		back := of(d.back(issue, "0.5", "")).done(t).GetName()
		d.swept()
		d.stands("brought back", order, "0", "0.5", "0")
		of(d.reverse(back)).done(t)
		d.stands("not brought back", order, "0", "0", "0")
		of(d.reverse(issue)).done(t)
		d.stands("undone", order, "0", "3", "3")
		d.swept()
		d.stands("claimed again", order, "3", "0", "0")
		d.balanced()
	})
}

// Nothing is claimed for an order that ended, or whose time was a week ago.
func TestNothingIsClaimedForWhatIsOver(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.wants(order, "2", 1)
		d.wants("workOrders/old", "2", 1)
		d.wants("workOrders/late", "2", 2)
		of(0, d.heard("coldsection.workorder.voided.v1", &workordersv1.WorkOrderChanged{WorkOrder: order})).done(t)
		d.clock.Advance(8 * 24 * time.Hour)
		d.stocked("cleaner", "l1", "9", days(200))
		d.swept()
		for order, want := range map[string]string{order: "0", "workOrders/old": "0", "workOrders/late": "2"} {
			if got := d.demand(order, "cleaner").GetReserved().GetValue(); got != want {
				t.Errorf("%s claims %s, want %s", order, got, want)
			}
		}
	})
}

// Two instances that look at the same time, while somebody lists the demands, promise no litre twice, tell nobody twice, and in the
// end leave nobody short who needs it before somebody who was served.
func TestTwoInstancesClaimNothingTwice(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		rng := rand.New(rand.NewPCG(11, 27))
		needs := map[string]int{}
		for i := range 12 {
			needs[fmt.Sprintf("workOrders/w%02d", i)] = 2 + rng.IntN(20)
		}
		for order, on := range needs {
			d.wants(order, "1.5", on)
		}
		for round := range 3 {
			d.stocked("cleaner", fmt.Sprintf("l%d", round), "4", days(200))
			d.clock.Advance(6 * time.Minute)
			var wg sync.WaitGroup
			errs := make([]error, 3)
			for i := range 2 {
				wg.Go(func() { errs[i] = (&app.App{DB: d.db, Clock: d.clock, IDs: ids.System()}).Sweep(t.Context()) })
			}
			wg.Go(func() {
				_, errs[2] = d.ListStockDemands(d.clerk(), &consumablesv1.ListStockDemandsRequest{})
			})
			wg.Wait()
			for _, err := range errs {
				of(0, err).done(t)
			}
		}
		claimed := map[string]stock.Micro{}
		for _, c := range of(d.ListReservations(d.clerk(), &consumablesv1.ListReservationsRequest{PageSize: 100})).done(t).GetReservations() {
			claimed[c.GetLot()] += micro(t, c.GetQuantity())
		}
		for lot, sum := range claimed {
			if sum != 4*stock.Scale || micro(t, d.lot(lot).GetReserved()) != sum {
				t.Errorf("of %s %s L are claimed, and it shows %v", lot, sum.Text(), d.lot(lot).GetReserved())
			}
		}
		order := slices.SortedFunc(func(yield func(string) bool) {
			for o := range needs {
				if !yield(o) {
					return
				}
			}
		}, func(a, b string) int { return 100*(needs[a]-needs[b]) + slices.Compare([]byte(a), []byte(b)) })
		for i, o := range order { // 12 L make eight orders whole
			want := "0"
			if i < 8 {
				want = "1.5"
			}
			got := d.demand(o, "cleaner")
			if got.GetReserved().GetValue() != want {
				t.Errorf("%s, needed on day %d, claims %s, want %s", o, needs[o], got.GetReserved().GetValue(), want)
			}
			told := d.answers(o)
			if n := len(told); want == "1.5" && told[n-1] != "1.5 0 true" || n != len(slices.Compact(slices.Clone(told))) {
				t.Errorf("%s was told %q", o, told)
			}
		}
	})
}
