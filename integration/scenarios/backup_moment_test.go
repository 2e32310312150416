package scenarios

import (
	"context"
	"fmt"
	"path/filepath"
	"sync"
	"testing"

	"coldsection.example/integration/harness"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/suite"
)

// A backup is made again and again while the story goes on; each is of one moment of all parts: nothing took effect in a part whose fact its
// maker does not have. The last one, restored, goes on: it tells every fact once more, and nobody does anything twice.
func TestABackupIsOfOneMomentOfAllParts(t *testing.T) {
	dir := t.TempDir()
	state := filepath.Join(dir, "state")
	stage := harness.OneProcessWith(t, "--state", state)
	var backing sync.WaitGroup
	var made []string
	out := play(t, stage, func(call int) {
		if call%20 != 0 {
			return
		}
		backing.Wait()
		into := filepath.Join(dir, fmt.Sprintf("backup-%d", call))
		made = append(made, into)
		backing.Go(func() { cli(t, 0, "Backed up and checked", "backup", into, "--state", state, "--secret") })
	})
	backing.Wait()
	last := filepath.Join(dir, "backup-last")
	cli(t, 0, "Backed up and checked", "backup", last, "--state", state, "--secret")
	for _, folder := range append(made, last) {
		cli(t, 0, "Sound", "verify-backup", folder)
		ofOneMoment(t, folder)
	}
	restored := filepath.Join(dir, "restored")
	cli(t, 0, "every hash, record chain and number", "restore", last, "--state", restored)
	cli(t, 1, "must be new or empty", "restore", last, "--state", restored)
	again := harness.OneProcessWith(t, "--state", restored, "--clock-file", stage.Clock()) // on a later day lots are past their use-by
	sameStock(t, stage, again)
	goesOn(t, again, out.FeedEvents)
}

// ofOneMoment checks that every fact that took effect somewhere is in the outbox of who made it.
func ofOneMoment(t *testing.T, folder string) {
	t.Helper()
	told, effects := map[string]bool{}, []string{}
	for _, part := range suite.Parts {
		if err := storage.Inspect(t.Context(), filepath.Join(folder, part+".db"), func(ctx context.Context, tx *storage.Tx) error {
			ids := func(query string) ([]string, error) {
				return storage.Collect(ctx, tx, func(row storage.Scanner) (id string, err error) {
					err = row.Scan(&id)
					return id, err
				}, query)
			}
			mine, err := ids("SELECT id FROM outbox")
			if err != nil {
				return err
			}
			for _, id := range mine {
				told[id] = true
			}
			heard, err := ids("SELECT event_id FROM processed_events")
			effects = append(effects, heard...)
			return err
		}); err != nil {
			t.Fatal(err)
		}
	}
	for _, id := range effects {
		if !told[id] {
			t.Errorf("%s: the fact %s took effect, and nobody told it", folder, id)
		}
	}
	t.Logf("%s: %d facts, %d effects", filepath.Base(folder), len(told), len(effects))
}

// sameStock compares the lots of two suites, and how much there is to be booked.
func sameStock(t *testing.T, one, other *harness.Stage) {
	t.Helper()
	lots := func(stage *harness.Stage) (lots string, postings int) {
		stores := stage.SignIn(t, "stores")
		list := elements(must(t, stores.REST("GET", "/v1/lots", nil)), "lots")
		return fmt.Sprint(list), len(elements(must(t, stores.REST("GET", "/v1/postings?pageSize=1000", nil)), "postings"))
	}
	want, booked := lots(one)
	got, again := lots(other)
	if got != want || want == "[]" {
		t.Errorf("the restored lots are\n%s\nwant\n%s", got, want)
	}
	if again != booked || booked == 0 {
		t.Errorf("%d postings are there after the restore, want %d", again, booked)
	}
}

// goesOn checks that the feed of a restored suite tells every fact again, under sequences that no cursor of before has.
func goesOn(t *testing.T, stage *harness.Stage, facts int) {
	t.Helper()
	admin := stage.SignIn(t, "admin")
	total, cursor := 0, ""
	for total < facts {
		page := must(t, admin.REST("GET", "/v1/events?wait=5s&pageSize=500&after="+cursor, nil))
		if len(elements(page, "events")) == 0 {
			t.Fatalf("%d of %d facts were told again", total, facts)
		}
		total += len(elements(page, "events"))
		cursor = text(page, "nextCursor")
	}
	if total != facts {
		t.Errorf("%d facts were told again, want %d", total, facts)
	}
	if a := admin.REST("GET", "/v1/events?after=00000000000000000007", nil); a.Reason() != "CURSOR_TOO_OLD" {
		t.Errorf("a cursor of before the restore: %d %v", a.Status, a.Body)
	}
	if parked := elements(must(t, admin.REST("GET", "/v1/parkedFacts", nil)), "parkedFacts"); len(parked) > 0 {
		t.Errorf("facts that were known already are parked: %v", parked)
	}
}
