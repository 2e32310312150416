package server_test

import (
	"context"
	"fmt"
	"runtime"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// A fleet that is worked out in lots, of which some are weighed on other cores while the last are written and places are used again, says of
// each item what its own history says alone, whatever the number of cores; also days later, when rows changed and others stayed as they were.
func TestAFleetAtOnceIsAsEachItemAlone(t *testing.T) {
	for _, cores := range []int{1, 4} {
		storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
			defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(cores))
			a, now := fleetOf(t, db, 32, 4) // 64 subjects: four lots, so that places are used again
			for _, days := range []int{0, 1, 60} {
				now.Advance(time.Duration(days) * 24 * time.Hour)
				if err := a.RecomputeAll(t.Context()); err != nil {
					t.Fatal(err)
				}
				sameAlone(t, a, 32*4)
			}
		})
	}
}

// sameAlone compares every item of the list, which is read from what is kept, with the item from history.
func sameAlone(t *testing.T, a *app.App, want int) {
	t.Helper()
	bands := map[compliancev1.DueItem_Band]int{}
	for token := ""; ; {
		page, err := a.ListDueItems(t.Context(), &compliancev1.ListDueItemsRequest{PageSize: 100, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		for _, item := range page.GetDueItems() {
			bands[item.GetBand()]++
			want--
			if alone, err := a.GetDueItem(t.Context(), item.GetName()); err != nil || !proto.Equal(alone, item) {
				t.Errorf("alone %v, %v; among the fleet %v", alone, err, item)
			}
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	if want != 0 || len(bands) < 3 {
		t.Errorf("%d items are missing; bands %v", want, bands)
	}
}

// A day that is worked out from history writes the same rows as one that is put to what is kept: where only a projected date moved, the date alone, so
// that an entity tag that somebody read an hour ago is good as long as nothing happened.
func TestADayFromHistoryWritesWhatANewDayWrites(t *testing.T) {
	const planes, each = 70, 6 // more subjects than one statement names
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		open := map[storage.Engine]func(testing.TB, storage.Migrations) *storage.DB{storage.SQLite: storagetest.SQLite, storage.Postgres: storagetest.Postgres}
		kept, now := fleetOf(t, db, planes, each)
		whole, then := fleetOf(t, open[db.Engine()](t, store.Migrations()), planes, each)
		work := func(days int, fromHistory func(context.Context) error) {
			t.Helper()
			for _, one := range []struct {
				clock *clock.Fake
				work  func(context.Context) error
			}{{now, kept.Sweep}, {then, fromHistory}} {
				one.clock.Advance(time.Duration(days) * 24 * time.Hour)
				if err := one.work(t.Context()); err != nil {
					t.Fatal(err)
				}
			}
		}
		if err := kept.RecomputeAll(t.Context()); err != nil {
			t.Fatal(err)
		}
		work(0, whole.RecomputeAll)
		before := rowsOf(t, whole)
		moved, turned := 0, 0
		for _, days := range []int{1, 5, 40, 1, 90} {
			work(days, whole.RecomputeAll)
			rows := rowsOf(t, whole)
			want := rowsOf(t, kept)
			for name, row := range rows {
				was := before[name]
				if row != want[name] {
					t.Errorf("%d days on, %s is %v from history, %v from what is kept", days, name, row, want[name])
				}
				if row.band != was.band {
					turned++
				} else if row.date != was.date {
					moved++
				}
				if (row.band != was.band) != (row.etag != was.etag) {
					t.Errorf("%s was %v, is %v", name, was, row)
				}
			}
			if before = rows; len(rows) != len(want) {
				t.Errorf("%d rows from history, %d from what is kept", len(rows), len(want))
			}
		}
		if len(before) != planes*each || moved < 50 || turned < 20 {
			t.Errorf("%d rows; %d dates moved, %d bands turned", len(before), moved, turned)
		}
	})
}

// listedRow is what a due item's row says.
type listedRow struct{ band, date, etag string }

func rowsOf(t *testing.T, a *app.App) map[string]listedRow {
	t.Helper()
	rows := map[string]listedRow{}
	err := a.DB.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		_, err := storage.Collect(ctx, tx, func(s storage.Scanner) (string, error) {
			var name string
			var r listedRow
			var version int64
			err := s.Scan(&name, &r.band, &r.date, &version)
			r.etag = fmt.Sprint("v", version)
			rows[name] = r
			return name, err
		}, "SELECT name, band, due_date, version FROM due_items")
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return rows
}
