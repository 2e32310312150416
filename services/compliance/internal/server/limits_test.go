package server_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"slices"
	"strings"
	"testing"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// An export of more than 20,000 rows is refused with what to do, not cut off: a list that ends early reads as if nothing else was due. Taken in
// parts, as the refusal says, it comes out whole.
func TestAnExportIsWholeOrRefused(t *testing.T) {
	a, _ := fleetOf(t, storagetest.SQLite(t, store.Migrations()), 101, 200)
	if err := a.RecomputeAll(t.Context()); err != nil {
		t.Fatal(err)
	}
	ctx := auth.NewContext(t.Context(), auth.Identity{Account: "accounts/ada", Person: "people/ada", Roles: []string{"planner"}, Kind: auth.Human})
	req := &compliancev1.ExportDueItemsRequest{Content: compliancev1.ExportDueItemsRequest_DUE_LIST, Format: compliancev1.ExportDueItemsRequest_CSV}
	_, err := a.ExportDueItems(ctx, req)
	if refused(t, err, "EXPORT_TOO_LARGE"); err != nil && !strings.Contains(err.Error(), "at most 20000 rows") {
		t.Error(err)
	}
	req.Filter = `requirement = "requirements/r007"`
	part, err := a.ExportDueItems(ctx, req)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(part.GetContent(), []byte("\ufeff")))).ReadAll()
	if err != nil || len(rows) != 1+101 {
		t.Errorf("%d rows of one requirement, %v", len(rows), err)
	}
}

// The list of records in a pack says of each whether it counts: one that was corrected and one that takes another back stay to be read, and are not
// taken for work that counts.
func TestAPackSaysWhichRecordsCount(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("check", compliancev1.Requirement_INSPECTION, 100)
		wrong := must(w.enter("check", 990, ""))(t)
		w.clock.Advance(time.Minute)
		right := must(w.enter("check", 910, wrong.GetName()))(t)
		w.clock.Advance(time.Minute)
		other := must(w.enter("check", 800, ""))(t)
		w.clock.Advance(time.Minute)
		void := must(w.commands.CreateAccomplishment(w.as("quality"), &compliancev1.CreateAccomplishmentRequest{
			Parent: "requirements/check", ReauthenticationToken: w.proof(), Accomplishment: &compliancev1.Accomplishment{
				Subject: "engines/one", DoneDate: on(2026, 1, 20), LateEntryReason: "never done", Supersedes: other.GetName(), Void: true,
			},
		}))(t)
		w.clock.Advance(time.Minute)
		_, file := w.packed("engines/one", w.clock.Now(), w.clock.Now())
		var said []string
		for path, content := range unpacked(t, file) {
			rows, err := csv.NewReader(strings.NewReader(strings.TrimPrefix(content, "\ufeff"))).ReadAll()
			if !strings.HasSuffix(path, ".csv") || err != nil || !slices.Contains(rows[0], "standing") || !slices.Contains(rows[0], "requirement") {
				continue
			}
			standing, hash := slices.Index(rows[0], "standing"), slices.Index(rows[0], "sha256")
			for _, row := range rows[1:] {
				said = append(said, row[hash]+" "+row[standing])
			}
		}
		slices.Sort(said)
		want := []string{
			wrong.GetContentHash() + " corrected by " + right.GetName(), right.GetContentHash() + " counts",
			other.GetContentHash() + " corrected by " + void.GetName(), void.GetContentHash() + " takes back " + other.GetName(),
		}
		slices.Sort(want)
		if !slices.Equal(said, want) {
			t.Errorf("got\n%s\nwant\n%s", strings.Join(said, "\n"), strings.Join(want, "\n"))
		}
	})
}

// A limit that was stored before units were asked for has none. It was counted in starts; now nothing is told of it until a planner says what it counts.
func TestAStoredLimitWithoutAUnitIsNotCounted(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("old", compliancev1.Requirement_INSPECTION, 100)
		w.done("old", 990, on(2026, 2, 20))
		w.wantDueAt("old", 1090)
		if err := w.db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			r, err := store.Requirements.Lock(ctx, tx, "requirements/old")
			if err != nil {
				return err
			}
			r.Repeat.Limits[0].Unit = compliancev1.IntervalLimit_UNIT_UNSPECIFIED
			return store.Requirements.Save(ctx, tx, r, w.clock.Now())
		}); err != nil {
			t.Fatal(err)
		}
		w.fly(1)
		w.wantBand("old", compliancev1.DueItem_NO_DATA, "A limit of the requirement does not say what it counts. A planner states it in a revision.")
		if got := w.item("old"); len(got.GetRemaining()) > 0 || got.GetDueDate() != nil {
			t.Errorf("%v", got)
		}
		r := must(w.queries.GetRequirement(w.as("viewer"), &compliancev1.GetRequirementRequest{Name: "requirements/old"}))(t)
		r.Repeat.Limits[0].Unit = compliancev1.IntervalLimit_HOURS
		must(w.commands.UpdateRequirement(w.as("planner"), &compliancev1.UpdateRequirementRequest{Requirement: r}))(t)
		w.wantDueAt("old", 1090)
	})
}
