package listing_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// The longest and deepest that a filter may be runs on both engines, or is refused as a filter; no engine's own limit is met, which
// would be a failure of ours (SQLite takes expressions of depth 1,000, https://sqlite.org/limits.html).
func TestTheDeepestFiltersRun(t *testing.T) {
	storagetest.Engines(t, schema, func(t *testing.T, db *storage.DB) {
		fill(t, db, 0, 12)
		for name, filter := range map[string]string{
			"a thousand opposites": strings.Repeat("NOT ", 996) + "size = 3",
			"not in parentheses":   strings.Repeat("NOT (", 20) + "size = 3" + strings.Repeat(")", 20),
			"parentheses":          strings.Repeat("(", 20) + "size = 3" + strings.Repeat(")", 20),
			"many not in each":     strings.Repeat(strings.Repeat("NOT ", 40)+"(", 20) + "size = 3" + strings.Repeat(")", 20),
			"fifty of them":        strings.TrimSuffix(strings.Repeat("size = 3 AND ", 50), " AND "),
			"fifty and an or":      strings.TrimSuffix(strings.Repeat("size = 3 OR ", 50), " OR "),
			"a wall of wildcards":  `label:"` + strings.Repeat("%_", 1900) + `"`,
			"a wall of letters":    `label:"` + strings.Repeat("a", 3900) + `"`,
		} {
			if _, _, err := page(t.Context(), db, boxes, &request{Filter: filter}); err != nil && !fault.HasReason(err, "FILTER_INVALID") {
				t.Errorf("%s: %v", name, err)
			}
		}
	})
}

// asBuilt is the schema as services have it, where text sorts by bytes.
const asBuilt = "-- +goose Up\nCREATE TABLE boxes (id TEXT PRIMARY KEY, label TEXT NOT NULL, state TEXT NOT NULL, size BIGINT NOT NULL," +
	" sealed BIGINT NOT NULL, use_by TEXT NOT NULL, created BIGINT NOT NULL);\n"

// "Contains" finds letters of other languages whatever their case, alike on both engines.
func TestContainsKnowsTheLettersOfOtherLanguages(t *testing.T) {
	storagetest.Engines(t, storage.Portable(fstest.MapFS{"0001_boxes.sql": {Data: []byte(asBuilt)}}), func(t *testing.T, db *storage.DB) {
		err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			for id, label := range map[string]string{"g": "Öl für Düsen", "p": "ŁOŻYSKO", "r": "Масло", "e": "cleaner", "c": "Strasse Ů"} {
				if _, err := tx.Exec(ctx, "INSERT INTO boxes VALUES ($1, $2, 'OPEN', 0, 0, '2026-03-01', 0)", id, label); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		for filter, want := range map[string]string{
			`label:"STRASSE Ů"`: "c", `label:ů`: "c",
			`label:"Öl"`: "g", `label:"öL"`: "g", `label:DÜSEN`: "g", `label:łoży`: "p", `label:ŁO`: "p", `label:МАС`: "r", `label:мас`: "r", `label:CLEAN`: "e", `label:ü`: "g",
		} {
			if got := walk(t, db, boxes, &request{Filter: filter}); !slices.Equal(got, []string{want}) {
				t.Errorf("%s: %v, want %s", filter, got, want)
			}
		}
	})
}

// A text with more different letters than a statement takes is refused; the same letters over and over are not.
func TestManyLettersOfOtherLanguages(t *testing.T) {
	var many strings.Builder
	for r := 'а'; r <= 'я'; r++ {
		many.WriteRune(r)
	}
	few := many.String()
	for r := 'α'; r <= 'ω'; r++ {
		many.WriteRune(r)
	}
	many.WriteString("äöüéèà")
	db := storagetest.SQLite(t, schema)
	for text, refused := range map[string]bool{many.String(): true, few: false, strings.Repeat("ä", 1000): false} {
		_, _, err := page(t.Context(), db, boxes, &request{Filter: `label:"` + text + `"`})
		if fault.HasReason(err, "FILTER_INVALID") != refused || !refused && err != nil {
			t.Errorf("%.20s: %v", text, err)
		}
	}
}

// A filter that breaks off says so, not that its end is no field.
func TestAFilterThatBreaksOffSaysSo(t *testing.T) {
	db := storagetest.SQLite(t, schema)
	for _, filter := range []string{"size = 3 AND", "size = 3 OR", "NOT", "(", "size = 3 AND ("} {
		if _, _, err := page(t.Context(), db, boxes, &request{Filter: filter}); !fault.HasReason(err, "FILTER_INVALID") || !strings.Contains(err.Error(), "ends where a comparison was expected") {
			t.Errorf("%s: %v", filter, err)
		}
	}
}
