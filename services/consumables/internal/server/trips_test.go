package server_test

import (
	"testing"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/storage"
)

// An issue waits for its database no more often than this: what can't hurt anybody today slows everybody down in a year. On
// SQLite a wait is a statement, on PostgreSQL a round trip, to the commit.
func TestAnIssueWaitsForItsDatabaseAFewTimesOnly(t *testing.T) {
	most := map[storage.Engine]uint64{storage.SQLite: 16, storage.Postgres: 3}
	desks(t, func(t *testing.T, d desk) {
		d.stocked("cleaner", "t", "10", days(200))
		d.needs(order, "cleaner", "9")
		for _, id := range []string{"first", "later"} {
			before := d.db.Trips()
			of(d.IssueStock(d.clerk(), &consumablesv1.IssueStockRequest{
				Name: "lots/t", WorkOrder: order, Quantity: litres("1"), SealedContainers: true, RequestId: id,
			})).done(t)
			if n := d.db.Trips() - before; n > most[d.db.Engine()] {
				t.Errorf("%s issue: waits %d times, at most %d wanted", id, n, most[d.db.Engine()])
			}
		}
	})
}
