package store_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"

	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// operations is how many random operations each engine goes through. The full run takes 50,000 and the nightly one a million:
//
//	COLDSECTION_TEST_OPERATIONS=50000 go test -timeout 2h -run RandomOperations ./services/consumables/internal/store
//	COLDSECTION_TEST_OPERATIONS=1000000 go test -timeout 8h -run RandomOperations ./services/consumables/internal/store
func operations(t *testing.T) int {
	t.Helper()
	text := os.Getenv("COLDSECTION_TEST_OPERATIONS")
	if text == "" {
		return 1500
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		t.Fatalf("COLDSECTION_TEST_OPERATIONS is %q; give how many operations to run, such as 50000", text)
	}
	return n
}

var (
	places   = []string{store.Supplier, "locations/a", "locations/b", "workOrders/w", "engines/e", store.Waste, store.CountDifference}
	negative = map[string]bool{store.Supplier: true, store.Production: true, store.CountDifference: true}
)

// bench is one worker's lots and what must be where of them.
type bench struct {
	t      *testing.T
	db     *storage.DB
	random *rand.Rand
	lots   []string
	model  map[string]map[string]stock.Micro // lot, place
	done   int
}

// next makes a random movement: between two places, into a mix through production, or the mirror image of one.
func (b *bench) next() []stock.Posting {
	lot, amount := b.lots[b.random.IntN(len(b.lots))], stock.Micro(1+b.random.IntN(1000))
	from, to := places[b.random.IntN(len(places))], places[b.random.IntN(len(places))]
	if from == to {
		to = "locations/c"
	}
	p := move(lot, from, to, amount)
	if b.random.IntN(4) == 0 { // a second lot goes the same way through production, as in a mix
		other := b.lots[b.random.IntN(len(b.lots))]
		p = append(move(lot, from, store.Production, amount), move(other, store.Production, "workOrders/w", amount-amount/50)...)
		if loss := amount / 50; loss > 0 {
			p = append(p, move(other, store.Production, store.MixingLoss, loss)...)
		}
	}
	return p
}

// allowed says by the model whether a movement leaves no real place below zero; what passes through a place within one
// movement is no shortage.
func (b *bench) allowed(p []stock.Posting) bool {
	sums := map[[2]string]stock.Micro{}
	for _, x := range p {
		sums[[2]string{x.Lot, x.Location}] += x.Amount
	}
	for at, change := range sums {
		if !negative[at[1]] && b.model[at[0]][at[1]]+change < 0 {
			return false
		}
	}
	return true
}

// step posts one movement and checks the outcome and every invariant of the lots that it touched.
func (b *bench) step(id string) bool {
	p := b.next()
	err := post(b.t.Context(), b.db, id, p...)
	if want := b.allowed(p); (err == nil) != want || err != nil && !fault.HasReason(err, "INSUFFICIENT_STOCK") {
		b.t.Errorf("%s: %v, allowed %t: %v", id, err, want, p)
		return false
	}
	if err == nil {
		b.done++
		for _, x := range p {
			b.model[x.Lot][x.Location] += x.Amount
		}
	}
	return b.invariants(id, p)
}

// invariants: the balances are what the model says, add up to zero per lot, and no real place is below zero; a movement that
// was refused left no posting, and one that was taken has all of them.
func (b *bench) invariants(id string, p []stock.Posting) bool {
	err := b.db.View(b.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		for _, x := range p {
			balances, err := store.Balances(ctx, tx, x.Lot)
			if err != nil {
				return err
			}
			var sum stock.Micro
			for _, have := range balances {
				sum += have.Amount
				if have.Amount != b.model[x.Lot][have.Location] || have.Amount < 0 && !negative[have.Location] {
					return fmt.Errorf("%s at %s is %d, the model says %d", x.Lot, have.Location, have.Amount, b.model[x.Lot][have.Location])
				}
			}
			if sum != 0 {
				return fmt.Errorf("%s is out by %d", x.Lot, sum)
			}
		}
		var lines, total int64
		if err := tx.QueryRow(ctx, "SELECT COUNT(*), COALESCE(SUM(amount), 0) FROM postings WHERE movement = $1", "stockMovements/"+id).Scan(&lines, &total); err != nil {
			return err
		}
		if total != 0 || lines != 0 && lines != int64(len(p)) {
			return fmt.Errorf("%d lines that sum to %d", lines, total)
		}
		return nil
	})
	if err != nil {
		b.t.Errorf("after %s: %v", id, err)
	}
	return err == nil
}

// Random operations by sixteen workers, each on lots of its own so that it knows the right outcome of each; all invariants
// hold after every one, and the balances of all are the sums of their postings at the end.
func TestRandomOperations(t *testing.T) {
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		const workers = 16
		addLots(t, db, 3*workers)
		total := operations(t)
		var wg sync.WaitGroup
		var taken atomic.Int64
		for w := range workers {
			wg.Go(func() {
				b := bench{t: t, db: db, random: rand.New(rand.NewPCG(1, uint64(w))), model: map[string]map[string]stock.Micro{}}
				for i := range 3 {
					lot := fmt.Sprintf("lots/l%d", 3*w+i)
					b.lots, b.model[lot] = append(b.lots, lot), map[string]stock.Micro{}
				}
				for i := range total / workers {
					if !b.step(fmt.Sprintf("w%d-%d", w, i)) {
						return
					}
				}
				taken.Add(int64(b.done))
			})
		}
		wg.Wait()
		if n := int(taken.Load()); n < total/4 || n > total*9/10 {
			t.Errorf("%d of %d were taken; the test no longer tries both", n, total)
		}
		check(t, db)
	})
}
