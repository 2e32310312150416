package server_test

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/storage"
)

// atOnce has two people recall each a lot while a mix of both is in use by somebody else, so that neither is done before the other begins.
func (d desk) atOnce(mix string, reqs [2]*consumablesv1.RecallLotRequest) (errs [2]error) {
	var people sync.WaitGroup
	of(0, d.db.Update(d.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		if _, err := store.Lots.Lock(ctx, tx, mix); err != nil {
			return err
		}
		for i, req := range reqs {
			people.Go(func() { _, errs[i] = d.RecallLot(d.as(fmt.Sprint("person", i), "quality"), req) })
		}
		d.waits(ctx, tx)
		return nil
	})).done(d.t)
	people.Wait()
	return errs
}

// Two people who recall at once both get their answer and block all that they must: of the same lot, of two lots that are in the same mixes, and of a
// lot and a mix of it. The mix that both reach is told of twice, and one of the two reasons stands on each lot.
func TestTwoPeopleRecallAtOnce(t *testing.T) {
	for what, asked := range map[string]func(mix string) [2]string{
		"one lot":              func(string) [2]string { return [2]string{"lots/cln", "lots/cln"} },
		"two lots of a mix":    func(string) [2]string { return [2]string{"lots/cln", "lots/wtr"} },
		"a lot and its mix":    func(mix string) [2]string { return [2]string{"lots/cln", mix} },
		"a mix and one of its": func(mix string) [2]string { return [2]string{mix, "lots/wtr"} },
	} {
		t.Run(what, func(t *testing.T) {
			desks(t, func(t *testing.T, d desk) {
				d.ingredients()
				d.kitted(order)
				mix := of(d.blend(batch(order))).done(t).GetName()
				d.kitted(order)
				turned := batch(order) // both lots come to this one in the other order
				slices.Reverse(turned.GetParts())
				both, blocked := asked(mix), []string{mix, of(d.blend(turned)).done(t).GetName()}
				for i, err := range d.atOnce(mix, [2]*consumablesv1.RecallLotRequest{{Name: both[0], Reason: "letter 0"}, {Name: both[1], Reason: "letter 1"}}) {
					if err != nil {
						t.Errorf("recalling %s: %v", both[i], err)
					}
				}
				for _, name := range append(blocked, both[:]...) {
					lot := d.lot(name)
					if lot.GetState() != consumablesv1.Lot_RECALLED || lot.GetHoldReason() != "letter 0" && lot.GetHoldReason() != "letter 1" || lot.GetBlockTime() == nil {
						t.Errorf("%s is %s (%s) since %v", name, lot.GetState(), lot.GetHoldReason(), lot.GetBlockTime())
					}
				}
				var told []string
				for _, fact := range d.recallFacts(mix) {
					told = append(told, fact.GetReason())
				}
				if slices.Sort(told); !slices.Equal(told, []string{"letter 0", "letter 1"}) {
					t.Errorf("of the mix was told %q", told)
				}
				d.balanced()
			})
		})
	}
}

// Of two people who recall the lot that both have read, the second is told that it was changed since, and tells nobody anything.
func TestTheSecondOfTwoRecallsOfWhatWasReadIsRefused(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		d.ingredients()
		d.kitted(order)
		mix, etag := of(d.blend(batch(order))).done(t).GetName(), d.lot("lots/cln").GetEtag()
		errs := d.atOnce(mix, [2]*consumablesv1.RecallLotRequest{{Name: "lots/cln", Etag: etag, Reason: "letter 0"}, {Name: "lots/cln", Etag: etag, Reason: "letter 1"}})
		first := slices.IndexFunc(errs[:], func(err error) bool { return err == nil })
		if first < 0 {
			t.Fatalf("both are refused: %v", errs)
		}
		refused(t, "the second", errs[1-first], "ETAG_MISMATCH")
		for _, lot := range []string{"lots/cln", mix} {
			if facts := d.recallFacts(lot); len(facts) != 1 || facts[0].GetReason() != fmt.Sprint("letter ", first) || d.lot(lot).GetHoldReason() != fmt.Sprint("letter ", first) {
				t.Errorf("%s: told %v", lot, facts)
			}
		}
	})
}
