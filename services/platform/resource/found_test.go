package resource_test

import (
	"context"
	"maps"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/owners"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// machines are kept with an index of their ids; before is how a process that knows of no index writes them.
var (
	machines     = resource.NewTable[*compliancev1.Engine]("machines", "", "serial").OwnedBy("name")
	machineIDs   = machines.FoundBy("machine_ids", "machine", (*compliancev1.Engine).GetExternalIds)
	before       = resource.NewTable[*compliancev1.Engine]("machines", "", "serial").OwnedBy("name")
	machineTable = storage.Portable(fstest.MapFS{"0001_machines.sql": {Data: []byte(`-- +goose Up
CREATE TABLE machines (name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, serial TEXT NOT NULL);
CREATE TABLE machine_ids (machine TEXT NOT NULL REFERENCES machines (name), system TEXT NOT NULL, external_id TEXT NOT NULL, version BIGINT NOT NULL,
  PRIMARY KEY (machine, system));
`)}})
)

// found names what has an id in the other system, or says why nothing has.
func found(ctx context.Context, t *testing.T, tx *storage.Tx, id string) string {
	t.Helper()
	name, err := machineIDs.One(ctx, tx, "engine", "erp", id)
	if f, ok := fault.As(err); ok {
		return f.Reason
	}
	if err != nil {
		t.Fatal(err)
	}
	return name
}

// given writes an engine with these ids, by one table or the other.
func given(ctx context.Context, t *testing.T, tx *storage.Tx, by *resource.Table[*compliancev1.Engine], name string, ids map[string]string) {
	t.Helper()
	m, err := by.Lock(ctx, tx, name)
	if fault.HasReason(err, "NOT_FOUND") {
		err = by.Insert(ctx, tx, &compliancev1.Engine{Name: name, Serial: name, ExternalIds: ids}, now)
	} else if err == nil {
		m.ExternalIds = ids
		err = by.Save(ctx, tx, m, now)
	}
	if err != nil {
		t.Fatal(err)
	}
}

func TestAResourceIsFoundByItsIDsAsTheyAreNow(t *testing.T) {
	storagetest.Engines(t, machineTable, func(t *testing.T, db *storage.DB) {
		if err := update(t, db, func(ctx context.Context, tx *storage.Tx) error {
			is := func(when, id, want string) {
				t.Helper()
				if got := found(ctx, t, tx, id); got != want {
					t.Errorf("%s: %s is %s, want %s", when, id, got, want)
				}
			}
			given(ctx, t, tx, machines, "engines/a", map[string]string{"erp": "1", "crm": "2"})
			is("added", "1", "engines/a")
			is("an id in another system", "2", "EXTERNAL_ID_UNKNOWN")
			given(ctx, t, tx, machines, "engines/a", map[string]string{"erp": "1", "crm": "2"})
			is("saved as it was", "1", "engines/a")
			given(ctx, t, tx, machines, "engines/a", map[string]string{"erp": "3"})
			is("replaced", "1", "EXTERNAL_ID_UNKNOWN")
			is("replaced", "3", "engines/a")
			given(ctx, t, tx, machines, "engines/b", map[string]string{"erp": "3"})
			is("of two", "3", "EXTERNAL_ID_AMBIGUOUS")
			given(ctx, t, tx, machines, "engines/b", nil)
			is("taken off one", "3", "engines/a")
			given(ctx, t, tx, before, "engines/a", map[string]string{"erp": "4"})
			given(ctx, t, tx, before, "engines/c", map[string]string{"erp": "5"})
			for _, when := range []string{"before it is kept", "after"} {
				is(when, "3", "EXTERNAL_ID_UNKNOWN")
				is(when, "4", "engines/a")
				is(when, "5", "engines/c")
				if n, err := machineIDs.KeepLate(ctx, tx, 10); err != nil || n != map[string]int{"before it is kept": 2, "after": 0}[when] {
					t.Errorf("%s: kept %d, %v", when, n, err)
				}
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
	})
}

// What is another's has no id, in the words for an id that nothing has (case C6); of two, the caller's own is meant.
func TestAnIDOfAnothersIsUnknown(t *testing.T) {
	storagetest.Engines(t, machineTable, func(t *testing.T, db *storage.DB) {
		if err := update(t, db, func(ctx context.Context, tx *storage.Tx) error {
			for name, owner := range map[string]string{"engines/a": "north", "engines/b": "south"} {
				if err := owners.Learn(ctx, tx, name, owner); err != nil {
					return err
				}
				given(ctx, t, tx, machines, name, map[string]string{"erp": "both", "crm": owner})
			}
			guest := auth.NewContext(ctx, auth.Identity{Owners: []string{"south"}})
			if got := found(guest, t, tx, "both"); got != "engines/b" {
				t.Errorf("of two: %s", got)
			}
			said := map[string]bool{}
			for _, id := range []string{"north", "nobody"} {
				_, err := machineIDs.One(guest, tx, "engine", "crm", id)
				f, _ := fault.As(err)
				if f == nil {
					t.Fatalf("%s is found", id)
				}
				said[f.Reason+strings.ReplaceAll(f.Message, id, "X")] = true
			}
			if len(said) != 1 {
				t.Errorf("%v", slices.Collect(maps.Keys(said)))
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
	})
}
