package server_test

import (
	"runtime"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/app"
	"coldsection.example/services/compliance/internal/store"
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
			for _, days := range []int{0, 60} {
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
