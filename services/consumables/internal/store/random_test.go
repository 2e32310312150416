package store_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// operations is how many random operations each engine goes through. The full run takes 50,000 and the nightly one a million:
//
//	COLDSECTION_TEST_OPERATIONS=50000 go test -v -timeout 1h -run RandomOperations ./services/consumables/internal/store
//	COLDSECTION_TEST_OPERATIONS=1000000 go test -v -timeout 3h -run RandomOperations ./services/consumables/internal/store
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
	last   operation
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

// step posts one movement and judges the outcome. The transaction reads first what the movement before left behind: nobody else
// touches the worker's lots, so that is the state after that one, and costs no transaction of its own.
func (b *bench) step(id string) bool {
	p := b.next()
	err := b.db.Update(b.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		if err := b.invariants(ctx, tx); err != nil {
			return err
		}
		return store.Post(ctx, tx, &consumablesv1.StockMovement{Name: "stockMovements/" + id, Lot: p[0].Lot}, p, now)
	})
	if want := b.allowed(p); (err == nil) != want || err != nil && !fault.HasReason(err, "INSUFFICIENT_STOCK") {
		b.t.Errorf("%s: %v, allowed %t: %v", id, err, want, p)
		return false
	}
	b.last = operation{name: "stockMovements/" + id, postings: p, taken: err == nil}
	if err == nil {
		b.done++
		for _, x := range p {
			b.model[x.Lot][x.Location] += x.Amount
		}
	}
	return true
}

// invariants after the last movement: of its lots every balance is what the model says and none is lacking, they add up to zero
// lot by lot, and no real place is below zero; a movement that was refused left no posting, and one that was taken has all of
// them, which sum to zero.
func (b *bench) invariants(ctx context.Context, tx *storage.Tx) error {
	if b.last.name == "" {
		return nil
	}
	lots := lotsOf(b.last.postings)
	for _, lot := range lots {
		if err := tx.Ask(ctx, func(rows storage.Rows) error { return b.balanced(rows, lot) },
			"SELECT location, amount FROM balances WHERE lot = $1 AND amount <> 0", lot); err != nil {
			return err
		}
	}
	// Postings lie by lot: asked by movement alone, PostgreSQL reads all of them after each operation.
	return tx.Ask(ctx, b.last.recorded, "SELECT COUNT(*), CAST(COALESCE(SUM(amount), 0) AS BIGINT) FROM postings WHERE lot IN ($1, $2) AND movement = $3",
		lots[0], lots[len(lots)-1], b.last.name)
}

// balanced compares a lot's balances with the model, both ways.
func (b *bench) balanced(rows storage.Rows, lot string) error {
	want, found, sum := 0, 0, stock.Micro(0)
	for rows.Next() {
		var place string
		var amount stock.Micro
		if err := rows.Scan(&place, (*int64)(&amount)); err != nil {
			return err
		}
		found++
		sum += amount
		if amount != b.model[lot][place] || amount < 0 && !negative[place] {
			return fmt.Errorf("after %s: %s at %s is %d, the model says %d", b.last.name, lot, place, amount, b.model[lot][place])
		}
	}
	for _, amount := range b.model[lot] {
		if amount != 0 {
			want++
		}
	}
	if found != want || sum != 0 {
		return fmt.Errorf("after %s: %s is at %d places, the model says %d; out by %d", b.last.name, lot, found, want, sum)
	}
	return rows.Err()
}

// operation is a movement that was tried.
type operation struct {
	name     string
	postings []stock.Posting
	taken    bool
}

// recorded checks the lines that it left.
func (o operation) recorded(rows storage.Rows) error {
	var lines, total, want int64
	if o.taken {
		want = int64(len(o.postings))
	}
	if !rows.Next() {
		return fmt.Errorf("after %s: no count of its lines: %w", o.name, rows.Err())
	}
	if err := rows.Scan(&lines, &total); err != nil {
		return err
	}
	if total != 0 || lines != want {
		return fmt.Errorf("after %s: %d lines that sum to %d, want %d", o.name, lines, total, want)
	}
	return nil
}

func lotsOf(p []stock.Posting) []string {
	var lots []string
	for _, x := range p {
		if !slices.Contains(lots, x.Lot) {
			lots = append(lots, x.Lot)
		}
	}
	return lots
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
				if err := db.View(t.Context(), b.invariants); err != nil {
					t.Error(err)
				}
				taken.Add(int64(b.done))
			})
		}
		wg.Wait()
		t.Logf("%d movements were tried, %d taken", total/workers*workers, taken.Load())
		if n := int(taken.Load()); n < total/4 || n > total*9/10 {
			t.Errorf("%d of %d were taken; the test no longer tries both", n, total)
		}
		check(t, db)
	})
}
