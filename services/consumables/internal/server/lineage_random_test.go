package server_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// Whatever stores, jobs and quality do with lots, their containers and mixes of mixes, in any order and booked late: what came from a recalled lot
// is never usable, nor what came from one on hold; no circle comes about; and of every lot, and through everything that was made from it, received
// is used + disposed + on hand + with jobs + mixed + difference.
func TestBlocksAndBalancesFollowLotsWhateverHappens(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		seeds, steps := uint64(4), 40
		if d.db.Engine() == storage.Postgres {
			seeds, steps = 2, 25 // the same rules, and each step costs more
		}
		for seed := range seeds {
			r := &rambler{desk: d, rand: rand.New(rand.NewPCG(seed, 7)), id: fmt.Sprintf("s%d", seed), done: map[string]int{}}
			r.begin()
			for step := range steps {
				r.clock.Advance(10 * time.Minute)
				what, err := r.step()
				if _, refusal := fault.As(err); err != nil && !refusal {
					t.Fatalf("seed %d, step %d: %s: %v", seed, step, what, err)
				}
				if err == nil {
					r.done[what]++
				}
				if r.check(); t.Failed() {
					t.Fatalf("after %s, step %d of seed %d", what, step, seed)
				}
			}
			t.Logf("seed %d: %v", seed, r.done)
		}
	})
}

// rambler does things at random.
type rambler struct {
	desk

	rand *rand.Rand
	id   string
	done map[string]int // what was not refused
}

func (r *rambler) begin() {
	r.t.Helper()
	if r.id == "s0" {
		item := of(r.GetItem(r.clerk(), &consumablesv1.GetItemRequest{Name: "items/cleaner"})).done(r.t)
		item.ApprovedMixRatios = []*consumablesv1.MixRatio{{WaterParts: 1, CleanerParts: 1}, {WaterParts: 3, CleanerParts: 1}}
		of(r.UpdateItem(r.clerk(), &consumablesv1.UpdateItemRequest{Item: item})).done(r.t)
		r.cage()
	}
	for i := range 2 {
		r.stocked("cleaner", fmt.Sprintf("%s-c%d", r.id, i), "20", days(300))
		r.stocked("water", fmt.Sprintf("%s-w%d", r.id, i), "20", days(300))
		for _, item := range []string{"cleaner", "water"} {
			r.needs(order, item, "4")
			of(r.IssueStock(r.clerk(), &consumablesv1.IssueStockRequest{
				Name: fmt.Sprintf("lots/%s-%s%d", r.id, item[:1], i), WorkOrder: order, Quantity: litres("4"), OverrideReason: "at hand",
			})).done(r.t)
		}
	}
}

func (r *rambler) lots() []*consumablesv1.Lot {
	r.t.Helper()
	return of(r.ListLots(r.clerk(), &consumablesv1.ListLotsRequest{PageSize: 1000})).done(r.t).GetLots()
}

func pick[T any](r *rambler, all []T) T { return all[r.rand.IntN(len(all))] }

// step does one thing and says what.
func (r *rambler) step() (what string, err error) {
	lot := pick(r, r.lots()).GetName()
	amount := litres(pick(r, []string{"0.1", "0.5", "1"}))
	quality := r.as("quinn", "quality")
	switch what = pick(r, []string{
		"decant", "blend", "blend", "blend", "blend late", "blend late", "use", "use late", "dispose",
		"dispose at job", "recall", "withdraw all", "hold", "clear all", "count", "return", "reverse", "issue",
	}); what {
	case "decant":
		_, err = r.DecantStock(r.clerk(), &consumablesv1.DecantStockRequest{Name: lot, Quantity: amount})
	case "blend":
		err = r.mixed(nil)
	case "blend late":
		err = r.mixed(r.earlier())
	case "use":
		_, err = r.use(lot, order, "engines/e1", amount.GetValue())
	case "use late":
		_, err = r.ConsumeStock(r.clerk(), &consumablesv1.ConsumeStockRequest{Name: lot, WorkOrder: order, Engine: "engines/e1", Quantity: amount, EffectiveTime: r.earlier()})
	case "dispose":
		_, err = r.DisposeStock(r.clerk(), &consumablesv1.DisposeStockRequest{Name: lot, Location: shelf, Quantity: amount, Reason: "spilt"})
	case "dispose at job":
		_, err = r.DisposeStock(r.clerk(), &consumablesv1.DisposeStockRequest{Name: lot, Location: order, Quantity: amount, Reason: "spilt"})
	case "recall":
		_, err = r.RecallLot(quality, &consumablesv1.RecallLotRequest{Name: lot, Reason: "maker's letter"})
	case "withdraw all":
		for _, lot := range r.lots() {
			if _, refusal := r.withdraw(lot.GetName()); refusal != nil {
				err = refusal
			}
		}
	case "hold":
		_, err = r.HoldLot(r.clerk(), &consumablesv1.HoldLotRequest{Name: lot, Reason: "cloudy"})
	case "clear all":
		for _, lot := range r.lots() {
			if _, refusal := r.clear(lot.GetName()); refusal != nil {
				err = refusal
			}
		}
	case "count":
		err = r.countedAnew(lot, amount)
	case "return":
		err = r.moved(func(m *consumablesv1.StockMovement) error {
			_, err := r.ReturnStock(r.clerk(), &consumablesv1.ReturnStockRequest{
				Name: m.GetName(), Quantity: amount, Location: pick(r, []string{shelf, "locations/cage"}), Contaminated: r.rand.IntN(3) == 0,
			})
			return err
		})
	case "reverse":
		err = r.moved(func(m *consumablesv1.StockMovement) error {
			_, err := r.ReverseMovement(r.clerk(), &consumablesv1.ReverseMovementRequest{Name: m.GetName(), Reason: "a slip"})
			return err
		})
	case "issue":
		_, err = r.IssueStock(r.clerk(), &consumablesv1.IssueStockRequest{Name: lot, WorkOrder: order, Quantity: amount, OverrideReason: "at hand"})
	}
	return what, err
}

func (r *rambler) earlier() *timestamppb.Timestamp {
	return timestamppb.New(r.clock.Now().Add(-time.Duration(r.rand.IntN(180)) * time.Minute))
}

// mixed mixes two lots of the job, mixes among them, of the first pair that may be.
func (r *rambler) mixed(at *timestamppb.Timestamp) (err error) {
	var there []string
	for _, lot := range r.lots() {
		if slices.ContainsFunc(lot.GetBalances(), func(b *consumablesv1.LotBalance) bool { return b.GetLocation() == order }) {
			there = append(there, lot.GetName())
		}
	}
	for range 8 {
		_, err = r.blend(&consumablesv1.BlendLotsRequest{
			Item: "items/solution", WorkOrder: order, Output: litres("0.4"), EffectiveTime: at, PotLifeHours: 8, Ratio: &consumablesv1.MixRatio{WaterParts: pick(r, []int32{1, 3}), CleanerParts: 1},
			Parts: []*consumablesv1.BlendPart{{Lot: pick(r, there), Quantity: litres("0.2")}, {Lot: pick(r, there), Quantity: litres("0.2")}},
		})
		if err == nil {
			return nil
		}
	}
	return err
}

func (r *rambler) countedAnew(lot string, amount *commonv1.Quantity) error {
	count, err := r.count(lot, amount.GetValue(), r.clock.Now())
	if err != nil || count.GetState() != consumablesv1.StockCount_WAITING {
		return err
	}
	_, err = r.approve("dora", count.GetName())
	return err
}

func (r *rambler) moved(do func(m *consumablesv1.StockMovement) error) error {
	moves := of(r.ListStockMovements(r.clerk(), &consumablesv1.ListStockMovementsRequest{PageSize: 1000})).done(r.t).GetStockMovements()
	return do(pick(r, moves))
}

// check holds all lots against what must never be otherwise.
func (r *rambler) check() {
	r.t.Helper()
	all := map[string]*consumablesv1.Lot{}
	for _, lot := range r.lots() {
		all[lot.GetName()] = lot
	}
	for name, lot := range all {
		above := ancestors(all, name)
		if slices.Contains(above, name) {
			r.t.Errorf("%s is made of itself", name)
		}
		for _, origin := range above {
			from := all[origin]
			blocked := from.GetState() == consumablesv1.Lot_RECALLED || from.GetState() == consumablesv1.Lot_HELD && from.GetHeldOrigin() == ""
			if blocked && lot.GetState() == consumablesv1.Lot_USABLE {
				r.t.Errorf("%s is usable and came from %s, which is %s (%s)", name, origin, from.GetState(), from.GetHoldReason())
			}
			if from.GetState() == consumablesv1.Lot_RECALLED && lot.GetState() != consumablesv1.Lot_RECALLED {
				r.t.Errorf("%s is %s and came from %s, which is recalled", name, lot.GetState(), origin)
			}
		}
	}
	r.balanced()
	root := pick(r, r.lots()).GetName()
	for _, at := range []time.Time{{}, r.earlier().AsTime()} {
		trace := r.trace(root, consumablesv1.TraceLotRequest_FORWARD, at)
		whole := trace.GetTotal()
		addsUp(r.t, whole)
		for _, line := range trace.GetBalanceLines() {
			addsUp(r.t, line)
		}
		if micro(r.t, whole.GetReceived()) < stock.Micro(0) {
			r.t.Errorf("as of %v less than nothing of %s was received: %v", at, root, whole)
		}
	}
}

// ancestors are the lots that a lot was made from, at any depth.
func ancestors(all map[string]*consumablesv1.Lot, name string) (above []string) {
	seen := map[string]bool{}
	for next := []string{name}; len(next) > 0; next = next[1:] {
		for _, p := range all[next[0]].GetParents() {
			if !seen[p.GetLot()] {
				seen[p.GetLot()] = true
				above, next = append(above, p.GetLot()), append(next, p.GetLot())
			}
		}
	}
	return above
}
