package server_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/storage"
)

// usedAt books a use of half a litre on the order's engine at a time of before.
func (d desk) usedAt(lot string, at time.Time) (*consumablesv1.StockMovement, error) {
	return d.ConsumeStock(d.clerk(), &consumablesv1.ConsumeStockRequest{
		Name: lot, WorkOrder: order, Engine: "engines/e1", Quantity: litres("0.5"), EffectiveTime: timestamppb.New(at),
	})
}

// issuedAt books an issue of half a litre to the order at a time of before.
func (d desk) issuedAt(lot string, at time.Time, reason string) (*consumablesv1.StockMovement, error) {
	return d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{
		Name: lot, WorkOrder: order, Quantity: litres("0.5"), EffectiveTime: timestamppb.New(at), OverrideReason: reason,
	})
}

func (d desk) recall(lot string) {
	d.t.Helper()
	of(d.RecallLot(d.as("quinn", "quality"), &consumablesv1.RecallLotRequest{Name: lot, Reason: "maker's letter"})).done(d.t)
}

// recallFacts are all facts of a lot's recall, the oldest first.
func (d desk) recallFacts(lot string) (facts []*consumablesv1.LotChanged) {
	d.t.Helper()
	for _, e := range d.factsAbout(lot, "coldsection.stock.lot.recalled.v1") {
		fact := &consumablesv1.LotChanged{}
		of(0, protojson.Unmarshal(e.Data, fact)).done(d.t)
		facts = append(facts, fact)
	}
	return facts
}

// handed stocks five litres and hands two of them out.
func (d desk) handed() string {
	d.t.Helper()
	lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
	d.issued("cleaner", lot, order, "2")
	return lot
}

// What was used at nine is on the engine, also where it is booked at noon and its lot was recalled at ten: the recall finds the engine, a fact
// tells of it, the lot's line adds up, and the trace as of ten has it.
func TestAUseOfBeforeTheRecallIsBookedAfterIt(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.handed()
		used, recalled := morning.Add(time.Hour), morning.Add(2*time.Hour)
		d.clock.Advance(2 * time.Hour)
		d.recall(lot)
		if got := d.lot(lot).GetBlockTime().AsTime(); !got.Equal(recalled) {
			t.Fatalf("blocked since %v, want %v", got, recalled)
		}
		if facts := d.recallFacts(lot); len(facts) != 1 || len(facts[0].GetReachedEngines()) != 0 {
			t.Fatalf("told %v before anything was used", facts)
		}
		d.clock.Advance(2 * time.Hour)
		for what, at := range map[string]time.Time{"as it was recalled": recalled, "after": recalled.Add(time.Minute)} {
			_, err := d.usedAt(lot, at)
			refused(t, what, err, "LOT_RECALLED")
		}
		_, err := d.use(lot, order, "engines/e1", "0.5")
		refused(t, "now", err, "LOT_RECALLED")
		for _, part := range []string{lot, "since 2026-11-25T10:00:00Z", "(maker's letter)", "booked for 2026-11-25T12:00:00Z", "give the time at which it did"} {
			if said := status.Convert(err).Message(); !strings.Contains(said, part) {
				t.Errorf("%q doesn't say %q", said, part)
			}
		}
		d.balanced()
		m := of(d.usedAt(lot, used)).done(t)
		if !m.GetEffectiveTime().AsTime().Equal(used) || !m.GetCreateTime().AsTime().Equal(morning.Add(4*time.Hour)) {
			t.Errorf("booked as %v", m)
		}
		facts := d.recallFacts(lot)
		if len(facts) != 2 || !slices.Equal(facts[1].GetReachedEngines(), []string{"engines/e1"}) || !slices.Equal(facts[1].GetReachedWorkOrders(), []string{order}) ||
			facts[1].GetState() != "RECALLED" || facts[1].GetReason() != "maker's letter" {
			t.Errorf("told %v", facts)
		}
		for _, c := range []struct {
			at                   time.Time
			used, unused, onHand string
			engines              int
		}{
			{morning.Add(30 * time.Minute), "0", "2", "3", 0}, {used, "0.5", "1.5", "3", 1}, {recalled, "0.5", "1.5", "3", 1}, {time.Time{}, "0.5", "1.5", "3", 1},
		} {
			got := d.trace(lot, consumablesv1.TraceLotRequest_FORWARD, c.at)
			total := got.GetTotal()
			if total.GetUsed().GetValue() != c.used || total.GetIssuedUnused().GetValue() != c.unused || total.GetOnHand().GetValue() != c.onHand || len(got.GetEngines()) != c.engines {
				t.Errorf("as of %v: %v on %v", c.at, total, got.GetEngines())
			}
			addsUp(t, total)
		}
		d.balanced()
	})
}

// A mix of a recalled lot, and a can that is opened for the use that is booked, are as old as they were: neither stands in the trace before it
// was there, and no place holds less than nothing at any time.
func TestWhatCameFromARecalledLotIsBookedAsOfItsTimeToo(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		d.kitted(order)
		mix := of(d.blend(batch(order))).done(t).GetName()
		cans := d.canned("cans", "10", "5", june)
		d.needs(order, "cleaner", "5")
		of(d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{Name: cans, WorkOrder: order, Quantity: litres("5"), OverrideReason: "a full can"})).done(t)
		d.clock.Advance(2 * time.Hour)
		d.recall("lots/cln")
		d.recall(cans)
		d.clock.Advance(time.Hour)
		used := morning.Add(time.Hour)
		of(d.usedAt(mix, used)).done(t)
		can := of(d.usedAt(cans, used)).done(t).GetLot()
		if got := d.lot(can); can == cans || got.GetState() != consumablesv1.Lot_RECALLED || !got.GetBlockTime().AsTime().Equal(morning.Add(2*time.Hour)) ||
			!got.GetOpenTime().AsTime().Equal(used) {
			t.Errorf("the opened can is %v", got)
		}
		for _, lot := range []string{"lots/cln", cans} {
			for at := morning; at.Before(d.clock.Now()); at = at.Add(30 * time.Minute) {
				got := d.trace(lot, consumablesv1.TraceLotRequest_FORWARD, at)
				if want := !at.Before(used); slices.Contains(got.GetEngines(), "engines/e1") != want {
					t.Errorf("%s as of %v reached %v", lot, at, got.GetEngines())
				}
				for _, place := range got.GetPlaces() {
					if strings.HasPrefix(place.GetQuantity().GetValue(), "-") {
						t.Errorf("%s as of %v: %v", lot, at, place)
					}
				}
			}
		}
		if facts := d.recallFacts(mix); len(facts) != 2 || !slices.Equal(facts[1].GetReachedEngines(), []string{"engines/e1"}) {
			t.Errorf("told of the mix: %v", facts)
		}
		d.balanced()
	})
}

// A use by hand is not dated before the job had what it used, or the trace as of then has it on the engine and nowhere before; a minute is what
// times are written to, and an issue that was booked late is booked with its time.
func TestAUseIsNotDatedBeforeItsIssue(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		d.clock.Advance(3*time.Hour + 30*time.Second)
		issue := d.issued("cleaner", lot, order, "0.5").GetName()
		d.clock.Advance(time.Hour)
		_, err := d.usedAt(lot, morning.Add(2*time.Hour))
		refused(t, "an hour before it", err, "TIME_BEFORE_ISSUE")
		for _, part := range []string{order + " had 0 L of lot " + lot, "2026-11-25T10:00:00Z", "book it with the time"} {
			if said := status.Convert(err).Message(); !strings.Contains(said, part) {
				t.Errorf("%q doesn't say %q", said, part)
			}
		}
		of(d.reverse(issue)).done(t)
		of(d.issuedAt(lot, morning.Add(time.Hour), "booked late")).done(t)
		of(d.usedAt(lot, morning.Add(2*time.Hour))).done(t)
		_, err = d.usedAt(lot, morning.Add(2*time.Hour))
		refused(t, "what the job has not", err, "INSUFFICIENT_STOCK")
		of(d.issuedAt(lot, morning.Add(3*time.Hour+30*time.Second), "booked late")).done(t)
		of(d.usedAt(lot, morning.Add(3*time.Hour))).done(t) // written to the minute
		for at := morning; at.Before(d.clock.Now()); at = at.Add(20 * time.Minute) {
			if total := d.trace(lot, consumablesv1.TraceLotRequest_FORWARD, at).GetTotal(); strings.HasPrefix(total.GetIssuedUnused().GetValue(), "-") && !at.Equal(morning.Add(3*time.Hour)) {
				t.Errorf("as of %v: %v", at, total)
			}
		}
		d.balanced()
	})
}

// A sealed pack that is opened for a use is dated with it, so it is the sealed one that the job must have had by then.
func TestAUseOfASealedPackIsNotDatedBeforeItsIssue(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.canned("l1", "20", "5", june)
		d.clock.Advance(3 * time.Hour)
		d.issued("cleaner", lot, order, "5")
		d.clock.Advance(time.Hour)
		_, err := d.usedAt(lot, morning.Add(2*time.Hour))
		refused(t, "an hour before its issue", err, "TIME_BEFORE_ISSUE")
		if got := d.at(lot, order); got != "5" {
			t.Errorf("%s is sealed at the job", got)
		}
		of(d.usedAt(lot, morning.Add(3*time.Hour))).done(t)
		if got := d.at(lot, order); got != "" && got != "0" {
			t.Errorf("%s is sealed at the job after one was opened", got)
		}
		d.balanced()
	})
}

// A step that was done before the recall and is heard of after it is booked whatever its lot is, and told like a use by hand.
func TestAStepThatIsHeardOfAfterTheRecallTellsItsEngine(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.handed()
		done := d.step(lot, "2.5")
		d.clock.Advance(2 * time.Hour)
		d.recall(lot)
		of(0, d.heardAt(stepCompleted, morning, done)).done(t) // two litres of the job, and half a litre that nobody booked
		facts := d.recallFacts(lot)
		if len(facts) != 3 || !slices.Equal(facts[1].GetReachedEngines(), []string{"engines/e1"}) || !slices.Equal(facts[2].GetReachedEngines(), []string{"engines/e1"}) {
			t.Errorf("told %v", facts)
		}
		d.balanced()
	})
}

// Since when a lot may not be used is since it was blocked without having been cleared between: held, then recalled, then held again as the
// recall is taken back is one time; what was cleared and is held again begins anew.
func TestALotIsBlockedSinceItCouldLastBeUsed(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.received("cleaner", "l1", "5", days(200)).GetName()
		since := func(what string, want time.Time) {
			t.Helper()
			if got := d.lot(lot).GetBlockTime(); got == nil != want.IsZero() || got != nil && !got.AsTime().Equal(want) {
				t.Errorf("%s: blocked since %v, want %v", what, got.AsTime(), want)
			}
		}
		since("as it came in", morning)
		of(d.clear(lot)).done(t)
		since("cleared", time.Time{})
		d.issued("cleaner", lot, order, "4")
		at := func(hours int) time.Time { return morning.Add(time.Duration(hours) * time.Hour) }
		d.clock.Advance(time.Hour)
		d.hold(lot)
		since("held", at(1))
		d.clock.Advance(time.Hour)
		d.hold(lot)
		since("held for another reason", at(1))
		d.recall(lot)
		since("recalled", at(1))
		_, err := d.usedAt(lot, at(1).Add(time.Minute))
		refused(t, "while it was held", err, "LOT_RECALLED")
		of(d.usedAt(lot, at(1).Add(-time.Minute))).done(t)
		of(d.withdraw(lot)).done(t)
		since("on hold as its recall was taken back", at(1))
		_, err = d.usedAt(lot, at(1).Add(time.Minute))
		refused(t, "before it is cleared", err, "LOT_HELD")
		of(d.clear(lot)).done(t)
		since("cleared again", time.Time{})
		d.clock.Advance(time.Hour)
		d.hold(lot)
		since("held anew", at(3))
		of(d.usedAt(lot, at(1).Add(time.Minute))).done(t) // of that hold it was cleared
		d.balanced()
	})
}

// A use is judged by the end of life of its own time, also once the sweep has marked the lot; what was held before it expired stays refused.
func TestAUseOfBeforeTheEndIsBookedAfterIt(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		d.kitted(order)
		mix := of(d.blend(batch(order))).done(t).GetName() // keeps eight hours
		d.kitted(order)
		doubted := of(d.blend(batch(order))).done(t).GetName()
		d.clock.Advance(4 * time.Hour)
		d.hold(doubted)
		d.clock.Advance(6 * time.Hour)
		d.swept()
		if d.lot(mix).GetState() != consumablesv1.Lot_EXPIRED || d.lot(doubted).GetState() != consumablesv1.Lot_EXPIRED {
			t.Fatalf("%s and %s", d.lot(mix).GetState(), d.lot(doubted).GetState())
		}
		_, err := d.usedAt(mix, morning.Add(8*time.Hour+time.Second))
		refused(t, "after its end", err, "LOT_EXPIRED")
		of(d.usedAt(mix, morning.Add(8*time.Hour))).done(t)
		_, err = d.usedAt(doubted, morning.Add(5*time.Hour))
		refused(t, "while it was held", err, "LOT_EXPIRED")
		of(d.usedAt(doubted, morning.Add(3*time.Hour))).done(t)
		d.balanced()
	})
}

// Water that fails a later test was good for what it was used on before: it is booked, and then a recall finds it.
func TestAUseOfBeforeAFailedTestIsBookedAfterIt(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("water", "w1", "20", days(60)).GetName()
		d.issued("water", lot, order, "2")
		d.clock.Advance(2 * time.Hour)
		of(d.tested(lot, "9")).done(t)
		if got := d.lot(lot); got.GetState() != consumablesv1.Lot_HELD {
			t.Fatalf("after the failed test it is %s", got.GetState())
		}
		_, err := d.usedAt(lot, morning.Add(2*time.Hour))
		refused(t, "after the test", err, "LOT_HELD")
		of(d.usedAt(lot, morning.Add(time.Hour))).done(t)
		d.balanced()
	})
}

// What was handed out in haste and used before the recall may lack its issue too. It is booked with the time and the reason, and not without.
func TestAnIssueOfBeforeTheRecallIsBookedAfterItWithAReason(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		d.needs(order, "cleaner", "1")
		d.needs("workOrders/w2", "cleaner", "4") // all of it is claimed
		cans := d.canned("cans", "10", "5", june)
		d.clock.Advance(2 * time.Hour)
		d.recall(lot)
		d.recall(cans)
		d.clock.Advance(time.Hour)
		_, err := d.issuedAt(lot, morning.Add(time.Hour), "")
		refused(t, "without a reason", err, "LOT_RECALLED")
		_, err = d.issuedAt(lot, morning.Add(2*time.Hour), "booked late")
		refused(t, "as it was recalled", err, "LOT_RECALLED")
		_, err = d.issue(lot, order, "0.5")
		refused(t, "now", err, "LOT_RECALLED")
		of(d.issuedAt(lot, morning.Add(time.Hour), "booked late")).done(t)
		if facts := d.recallFacts(lot); len(facts) != 2 || !slices.Equal(facts[1].GetReachedWorkOrders(), []string{order}) || len(facts[1].GetReachedEngines()) != 0 {
			t.Errorf("told %v", facts)
		}
		of(d.usedAt(lot, morning.Add(90*time.Minute))).done(t)
		can := of(d.issuedAt(cans, morning.Add(time.Hour), "booked late")).done(t).GetLot()
		of(d.usedAt(can, morning.Add(90*time.Minute))).done(t)
		if got := d.trace(cans, consumablesv1.TraceLotRequest_FORWARD, time.Time{}); !slices.Equal(got.GetEngines(), []string{"engines/e1"}) || got.GetTotal().GetUsed().GetValue() != "0.5" {
			t.Errorf("the cans reached %v: %v", got.GetEngines(), got.GetTotal())
		}
		d.balanced()
	})
}

// Of a lot that was blocked before its time was kept nobody knows whether a use was before: it stays refused, also when it is recalled since.
func TestALotThatWasBlockedBeforeItsTimeWasKept(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.handed()
		d.clock.Advance(time.Hour)
		d.hold(lot)
		of(0, d.db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			old, err := store.Lots.Lock(ctx, tx, lot)
			if err != nil {
				return err
			}
			old.BlockTime = nil
			return store.Lots.Save(ctx, tx, old, d.clock.Now())
		})).done(t)
		_, err := d.usedAt(lot, morning.Add(time.Minute))
		refused(t, "held", err, "LOT_HELD")
		d.recall(lot)
		_, err = d.usedAt(lot, morning.Add(time.Minute))
		refused(t, "recalled", err, "LOT_RECALLED")
		if got := d.lot(lot).GetBlockTime(); got != nil {
			t.Errorf("it is blocked since %v", got.AsTime())
		}
		d.balanced()
	})
}
