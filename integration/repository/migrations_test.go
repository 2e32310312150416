package repository

import (
	"io/fs"
	"maps"
	"path"
	"slices"
	"testing"
)

// Both engines get the same schema by the same steps, so that a store's number means one thing.
func TestMigrationsAreTheSameOnBothEngines(t *testing.T) {
	byEngine := map[string]map[string][]string{}
	walk(t, func(name string, _ fs.DirEntry) {
		engine := path.Dir(name)
		if folder := path.Dir(engine); path.Base(folder) == "migrations" && path.Ext(name) == ".sql" {
			if byEngine[folder] == nil {
				byEngine[folder] = map[string][]string{}
			}
			byEngine[folder][path.Base(engine)] = append(byEngine[folder][path.Base(engine)], path.Base(name))
		}
	})
	for folder, engines := range byEngine {
		if got := slices.Sorted(maps.Keys(engines)); !slices.Equal(got, []string{"postgres", "sqlite"}) {
			t.Errorf("%s has engines %v; want postgres and sqlite", folder, got)
		}
		slices.Sort(engines["postgres"])
		slices.Sort(engines["sqlite"])
		if !slices.Equal(engines["postgres"], engines["sqlite"]) {
			t.Errorf("%s differs: postgres %v, sqlite %v", folder, engines["postgres"], engines["sqlite"])
		}
	}
	if len(byEngine) == 0 {
		t.Error("found no migrations")
	}
}
