package server_test

import (
	"context"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/storage"
)

// A bottle that is being filled from a mix while the cleaner in it is recalled or held is blocked too, though nobody sees it yet when the block
// begins: whoever blocks waits for who fills, and then sees what was filled.
func TestWhatIsMadeDuringABlockIsBlocked(t *testing.T) {
	for state, block := range map[consumablesv1.Lot_State]func(desk, string){consumablesv1.Lot_HELD: desk.hold, consumablesv1.Lot_RECALLED: desk.recall} {
		t.Run(state.String(), func(t *testing.T) {
			desks(t, func(t *testing.T, d desk) {
				d.ingredients()
				d.kitted(order)
				mix := of(d.blend(batch(order))).done(t).GetName()
				var blocking sync.WaitGroup
				of(0, d.db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error { // as filling over does, to the commit
					from, err := store.Lots.Lock(ctx, tx, mix)
					if err != nil {
						return err
					}
					blocking.Go(func() { block(d, "lots/cln") })
					d.waits(ctx, tx)
					filled, _ := proto.Clone(from).(*consumablesv1.Lot)
					filled.Name, filled.ShortCode, filled.Parents = "lots/filled", stock.ShortCode(99), []*consumablesv1.BlendPart{{Lot: mix, Quantity: litres("1")}}
					if err := store.Lots.Insert(ctx, tx, filled, d.clock.Now()); err != nil {
						return err
					}
					return store.AddEdge(ctx, tx, stock.Edge{Target: "lots/filled", Origin: mix, Movement: "stockMovements/m", Amount: 1})
				})).done(t)
				blocking.Wait()
				for _, lot := range []string{"lots/cln", mix, "lots/filled"} {
					if got := d.lot(lot).GetState(); got != state {
						t.Errorf("%s is %s, want %s", lot, got, state)
					}
				}
			})
		})
	}
}

// waits returns once somebody waits for a row of the transaction; on SQLite, which has one writer, somebody does at once.
func (d desk) waits(ctx context.Context, tx *storage.Tx) {
	d.t.Helper()
	if tx.Engine() == storage.SQLite {
		return
	}
	for deadline := clock.System().After(30 * time.Second); ; {
		waiting := 0
		of(0, tx.QueryRow(ctx, "SELECT COUNT(*) FROM pg_locks WHERE NOT granted AND pg_backend_pid() = ANY (pg_blocking_pids(pid))").Scan(&waiting)).done(d.t)
		if waiting > 0 {
			return
		}
		select {
		case <-deadline:
			d.t.Fatal("nobody waits")
		case <-clock.System().After(5 * time.Millisecond):
		}
	}
}
