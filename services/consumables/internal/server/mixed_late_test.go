package server_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// mixedAt mixes the batch of the order as of a time of before.
func (d desk) mixedAt(at time.Time) (*consumablesv1.Lot, error) {
	req := batch(order)
	req.EffectiveTime = timestamppb.New(at)
	return d.blend(req)
}

// hours is a time so many hours after the test begins.
func hours(n float64) time.Time { return morning.Add(time.Duration(n * float64(time.Hour))) }

// What was mixed at nine is booked at noon although one of its lots was recalled at ten: it is recalled from the beginning and since then, its pot
// life counts from nine, the recall tells of it and of its order, and then of the engine that it was used on before ten.
func TestAMixOfBeforeTheRecallIsBookedAfterIt(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		d.kitted(order)
		d.clock.Advance(2 * time.Hour)
		d.recall("lots/cln")
		d.clock.Advance(2 * time.Hour)
		for what, at := range map[string]time.Time{"as it was recalled": hours(2), "after it": hours(3), "now": hours(4)} {
			_, err := d.mixedAt(at)
			refused(t, what, err, "LOT_RECALLED")
		}
		_, err := d.blend(batch(order))
		refused(t, "without a time", err, "LOT_RECALLED")
		if said := status.Convert(err).Message(); !strings.Contains(said, "since 2026-11-25T10:00:00Z (maker's letter)") || !strings.Contains(said, "give the time at which it did") {
			t.Errorf("said %q", said)
		}
		_, err = d.mixedAt(hours(-1))
		refused(t, "before its lots came in", err, "TIME_BEFORE_LOT")
		_, err = d.mixedAt(hours(5))
		refused(t, "in the future", err, "TIME_IN_FUTURE")
		d.balanced()
		mix := of(d.mixedAt(hours(1))).done(t)
		if mix.GetState() != consumablesv1.Lot_RECALLED || mix.GetHoldReason() != "maker's letter" || !mix.GetBlockTime().AsTime().Equal(hours(2)) {
			t.Errorf("the mix is %s (%s) since %v", mix.GetState(), mix.GetHoldReason(), mix.GetBlockTime().AsTime())
		}
		if !mix.GetExpireTime().AsTime().Equal(hours(9)) || !mix.GetCreateTime().AsTime().Equal(hours(4)) {
			t.Errorf("made at %v it is usable until %v", mix.GetCreateTime().AsTime(), mix.GetExpireTime().AsTime())
		}
		if lines := d.label(mix.GetName()).GetLines(); lines[0] != "RECALLED – DO NOT USE" || !slices.Contains(lines, "Mixed 2026-11-25 09:00 UTC") {
			t.Errorf("its label says %q", lines)
		}
		facts := d.recallFacts(mix.GetName())
		if len(facts) != 1 || !slices.Equal(facts[0].GetReachedWorkOrders(), []string{order}) || len(facts[0].GetReachedEngines()) != 0 || facts[0].GetState() != "RECALLED" {
			t.Errorf("told %v", facts)
		}
		_, err = d.usedAt(mix.GetName(), hours(2.5))
		refused(t, "used after the recall", err, "LOT_RECALLED")
		_, err = d.usedAt(mix.GetName(), hours(0.5))
		refused(t, "used before it was mixed", err, "TIME_BEFORE_LOT")
		of(d.usedAt(mix.GetName(), hours(1.5))).done(t)
		if facts = d.recallFacts(mix.GetName()); len(facts) != 2 || !slices.Equal(facts[1].GetReachedEngines(), []string{"engines/e1"}) {
			t.Errorf("told of the use: %v", facts)
		}
		for _, c := range []struct {
			hour    float64
			lots    int
			engines []string
		}{{0.5, 1, nil}, {1, 2, nil}, {1.5, 2, []string{"engines/e1"}}, {4, 2, []string{"engines/e1"}}} {
			got := d.trace("lots/cln", consumablesv1.TraceLotRequest_FORWARD, hours(c.hour))
			if len(got.GetNodes()) != c.lots || !slices.Equal(got.GetEngines(), c.engines) {
				t.Errorf("after %v hours: %d lots on %v", c.hour, len(got.GetNodes()), got.GetEngines())
			}
			addsUp(t, got.GetTotal())
		}
		d.balanced()
	})
}

// A late mix is on hold for the sake of its lot that is, and is cleared with it; one lot that is recalled outweighs one that is held, and the earlier
// of two blocks is since when it may not be used.
func TestALateMixIsBlockedAsItsLotsAre(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		d.kitted(order)
		d.clock.Advance(2 * time.Hour)
		d.hold("lots/wtr")
		d.clock.Advance(time.Hour)
		before := d.facts("coldsection.stock.lot.held.v1")
		held := of(d.mixedAt(hours(1))).done(t)
		if held.GetState() != consumablesv1.Lot_HELD || held.GetHeldOrigin() != "lots/wtr" || held.GetHoldReason() != "It came from lots/wtr, which is held: looks cloudy" ||
			!held.GetBlockTime().AsTime().Equal(hours(2)) {
			t.Errorf("the mix of what is held: %v", held)
		}
		if n := d.facts("coldsection.stock.lot.held.v1"); n != before+1 {
			t.Errorf("%d facts of holds after %d", n, before)
		}
		_, err := d.clear(held.GetName())
		refused(t, "cleared before its water", err, "ORIGIN_HELD")
		of(d.clear("lots/wtr")).done(t)
		if got := d.lot(held.GetName()); got.GetState() != consumablesv1.Lot_USABLE || got.GetBlockTime() != nil {
			t.Errorf("cleared with its water: %v", got)
		}
		d.kitted(order)
		d.clock.Advance(time.Hour)
		d.hold("lots/wtr")
		d.clock.Advance(time.Hour)
		d.recall("lots/cln")
		d.clock.Advance(time.Hour)
		both := of(d.mixedAt(hours(3.5))).done(t)
		if both.GetState() != consumablesv1.Lot_RECALLED || both.GetHoldReason() != "maker's letter" || both.GetHeldOrigin() != "" || !both.GetBlockTime().AsTime().Equal(hours(4)) {
			t.Errorf("the mix of what is held and what is recalled: %v", both)
		}
		of(d.withdraw("lots/cln")).done(t)
		if got := d.lot(both.GetName()); got.GetState() != consumablesv1.Lot_HELD {
			t.Errorf("after the recall was taken back it is %s", got.GetState())
		}
		d.balanced()
	})
}

// A mix is not dated before the job had all that went in, nor when other entries took of it since.
func TestAMixIsNotDatedBeforeItsIssues(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		d.clock.Advance(2 * time.Hour)
		d.issued("cleaner", "lots/cln", order, "0.27")
		d.issued("water", "lots/wtr", order, "2")
		d.clock.Advance(2 * time.Hour)
		_, err := d.mixedAt(hours(1))
		refused(t, "before its issues", err, "TIME_BEFORE_ISSUE")
		of(d.usedAt("lots/wtr", hours(3))).done(t) // half a litre of two
		d.issued("water", "lots/wtr", order, "1.5")
		_, err = d.mixedAt(hours(2.5))
		refused(t, "of what was used later", err, "TIME_BEFORE_ISSUE")
		for _, part := range []string{"Other entries left " + order + " with 1.5 L of lot lots/wtr at 2026-11-25T11:00:00Z", "1.623 was used before"} {
			if said := status.Convert(err).Message(); !strings.Contains(said, part) {
				t.Errorf("%q doesn't say %q", said, part)
			}
		}
		twice := batch(order)
		twice.EffectiveTime = timestamppb.New(hours(3))
		twice.Parts = append(twice.Parts, &consumablesv1.BlendPart{Lot: "lots/wtr", Quantity: litres("0.1")})
		twice.Parts[1].Quantity = litres("1.523")
		_, err = d.blend(twice)
		refused(t, "of one lot in two parts", err, "TIME_BEFORE_ISSUE")
		of(d.mixedAt(hours(4))).done(t)
		d.balanced()
	})
}

// A mix is held against the revision of its recipe that was in force when it was mixed, also where a newer one was signed or the recipe was
// withdrawn since.
func TestALateMixIsByTheRecipeOfItsTime(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		d.kitted(order)
		d.clock.Advance(time.Hour)
		recipe := of(d.signedRecipe(washRecipe())).done(t)
		d.clock.Advance(2 * time.Hour)
		gone := washRecipe()
		gone.Withdrawn = true
		of(d.revisedRecipe(recipe.GetName(), recipe.GetEtag(), "the manual changed", gone)).done(t)
		late := func(at time.Time, revision int32) error {
			req := byRecipe(recipe.GetName(), revision)
			req.EffectiveTime = timestamppb.New(at)
			_, err := d.blend(req)
			return err
		}
		refused(t, "before it was signed", late(hours(0.5), 0), "RECIPE_REVISION_UNKNOWN")
		refused(t, "by the one that came later", late(hours(2), 2), "RECIPE_REVISION_UNKNOWN")
		refused(t, "after it was withdrawn", late(hours(3), 0), "RECIPE_WITHDRAWN")
		of(0, late(hours(2), 1)).done(t)
		lots := of(d.ListLots(d.clerk(), &consumablesv1.ListLotsRequest{Filter: `item = "items/solution"`})).done(t).GetLots()
		if len(lots) != 1 || lots[0].GetRecipeRevision() != 1 || lots[0].GetState() != consumablesv1.Lot_USABLE {
			t.Errorf("mixed %v", lots)
		}
	})
}

// An issue is not undone while the job used what it handed out before it was handed out more, or the books of then would have less than nothing there.
// Once the use is undone, the issue is.
func TestAnIssueThatWasUsedBeforeTheNextIsNotUndone(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(200)).GetName()
		first := d.issued("cleaner", lot, order, "0.5")
		d.clock.Advance(time.Hour)
		used := of(d.use(lot, order, "engines/e1", "0.3")).done(t)
		d.clock.Advance(time.Hour)
		second := d.issued("cleaner", lot, order, "0.5")
		d.clock.Advance(time.Hour)
		_, err := d.reverse(first.GetName())
		refused(t, "of which something was used", err, "TIME_BEFORE_ISSUE")
		want := "Other entries left " + order + " with 0.2 L of lot lots/l1 at 2026-11-25T09:00:00Z, and undoing this issue takes 0.5 away"
		if said := status.Convert(err).Message(); !strings.Contains(said, want) {
			t.Errorf("%q doesn't say %q", said, want)
		}
		of(d.reverse(second.GetName())).done(t) // nothing of it was used
		d.issued("cleaner", lot, order, "0.5")
		of(d.reverse(used.GetName())).done(t)
		of(d.reverse(first.GetName())).done(t)
		for _, p := range d.trace(lot, consumablesv1.TraceLotRequest_FORWARD, hours(1.5)).GetPlaces() {
			if strings.HasPrefix(p.GetQuantity().GetValue(), "-") && p.GetKind() == consumablesv1.Location_JOB {
				t.Errorf("as of half past nine %s has %s", p.GetLocation(), p.GetQuantity().GetValue())
			}
		}
		if got := d.at(lot, order); got != "0.5" {
			t.Errorf("the job has %s", got)
		}
		d.balanced()
	})
}
