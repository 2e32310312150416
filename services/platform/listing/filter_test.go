package listing_test

import (
	"context"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// filters are expressions over the boxes b00 … b11 and the numbers of those that they choose. Box i has label "alpha",
// "Beta_1", "gamma 100%" or "" by i%4, state OPEN or SHUT by i%2, size i%5, is sealed when i%3 is 2, was created on
// 1 March 2026 at 8 h + i/3, and is to be used by i days later.
var filters = map[string]string{
	``:                         "00 01 02 03 04 05 06 07 08 09 10 11",
	`   `:                      "00 01 02 03 04 05 06 07 08 09 10 11",
	`size = 3`:                 "03 08",
	`size=3`:                   "03 08",
	`size != 3 AND size >= 2`:  "02 04 07 09",
	`size < 1`:                 "00 05 10",
	`size <= 1`:                "00 01 05 06 10 11",
	`size > 3`:                 "04 09",
	`size:3`:                   "03 08",
	`size:*`:                   "01 02 03 04 06 07 08 09 11",
	`size = -1`:                "",
	`sealed = true`:            "02 05 08 11",
	`sealed != true`:           "00 01 03 04 06 07 09 10",
	`sealed = false`:           "00 01 03 04 06 07 09 10",
	`sealed:*`:                 "02 05 08 11",
	`state = OPEN`:             "00 02 04 06 08 10",
	`state = "SHUT"`:           "01 03 05 07 09 11",
	`state != OPEN`:            "01 03 05 07 09 11",
	`state:SHUT`:               "01 03 05 07 09 11",
	`label = alpha`:            "00 04 08",
	`label = "gamma 100%"`:     "02 06 10",
	`label = 'gamma 100%'`:     "02 06 10",
	`label = Alpha`:            "",
	`label = ""`:               "03 07 11",
	`label:*`:                  "00 01 02 04 05 06 08 09 10",
	`label:"*"`:                "",
	`label:MA`:                 "02 06 10",
	`label:"%"`:                "02 06 10",
	`label:"_"`:                "01 05 09",
	`label:"\\"`:               "",
	`label > "a"`:              "00 02 04 06 08 10",
	`label < "a" AND label:*`:  "01 05 09",
	`label = "\"quoted\""`:     "",
	`use_by_date = 2026-03-03`: "02",
	`useByDate = 2026-03-03`:   "02",
	`useByDate:* AND use_by_date < 2026-03-03`:    "00 01",
	`createTime = "2026-03-01T08:00:00Z"`:         "00 01 02",
	`label = "\*"`:                                "",
	`label = "a\*"`:                               "",
	`label = "a*a"`:                               "",
	`label:"a*"`:                                  "",
	`use_by_date >= 2026-03-11`:                   "10 11",
	`create_time = "2026-03-01T08:00:00Z"`:        "00 01 02",
	`create_time > '2026-03-01T09:30:00Z'`:        "06 07 08 09 10 11",
	`create_time < "2026-03-01T10:00:00+01:00"`:   "00 01 02",
	`NOT size = 3`:                                "00 01 02 04 05 06 07 09 10 11",
	`NOT (NOT size = 3)`:                          "03 08",
	`NOT (size = 3 OR state = OPEN)`:              "01 05 07 09 11",
	`state = OPEN AND size = 3 OR size = 4`:       "04 08",
	`(state = OPEN AND size = 3) OR size = 4`:     "04 08 09",
	`size = 0 OR size = 1 AND sealed = true`:      "05 11",
	`((size = 3))`:                                "03 08",
	`state = SHUT AND (label:* AND NOT size < 4)`: "09",
}

func TestFilters(t *testing.T) {
	storagetest.Engines(t, schema, func(t *testing.T, db *storage.DB) {
		fill(t, db, 0, 12)
		for filter, want := range filters {
			got := strings.ReplaceAll(strings.Join(walk(t, db, boxes, &request{Filter: filter, PageSize: 5}), " "), "b", "")
			if got != want {
				t.Errorf("%s: got %s, want %s", filter, got, want)
			}
		}
	})
}

// refusedFilters are expressions with the place, counted from 1, that the refusal must name.
var refusedFilters = map[string]string{
	`colour = red`:                "1",
	`size`:                        "5",
	`size =`:                      "7",
	`size = = 3`:                  "8",
	`= 3`:                         "1",
	`size ! 3`:                    "6",
	`size = 3 state = OPEN`:       "10",
	`size = 3 AND`:                "13",
	`size = 3 and state = OPEN`:   "10",
	`(size = 3`:                   "1",
	`size = 3)`:                   "9",
	`size = "3`:                   "8",
	`size = three`:                "8",
	`label = "al*"`:               "9",
	`label = al*`:                 "9",
	`label != *pha`:               "10",
	`label = "*"`:                 "9",
	`label = *`:                   "9",
	`label = '*pha\\*'`:           "9",
	`use_byDate = 2026-03-03`:     "1",
	`UseByDate = 2026-03-03`:      "1",
	`size = 3.5`:                  "8",
	`size = 99999999999999999999`: "8",
	`sealed = yes`:                "10",
	`sealed > true`:               "8",
	`state = AJAR`:                "9",
	`state = open`:                "9",
	`state < SHUT`:                "7",
	`use_by_date = 2026-02-30`:    "15",
	`use_by_date = 1.3.2026`:      "15",
	`create_time = 2026-03-01`:    "15",
	`create_time > "today"`:       "15",
	"label = a\x00b":              "10",
	`"size" = 3`:                  "1",
	`label = "ä" AND x = 1`:       "17",
	strings.Repeat("(", 21) + "size = 3" + strings.Repeat(")", 21): "21",
	strings.Repeat("size = 3 AND ", 50) + "size = 3":               "651",
	strings.Repeat(" ", 4001) + "size = 3":                         "1",
}

func TestRefusedFiltersNameThePlace(t *testing.T) {
	for filter, position := range refusedFilters {
		_, err := listing.New([]byte("secret")).Parse(t.Context(), &request{Filter: filter}, boxes)
		f, ok := fault.As(err)
		if !ok || f.Reason != "FILTER_INVALID" || f.Metadata["position"] != position || f.Violations[0].Field != "filter" {
			t.Errorf("%.60s: got %v at %v, want FILTER_INVALID at %s", filter, err, f, position)
		}
	}
}

// Who follows what a refused star is answered with finds the text that ends with one, and no other.
func TestAStarIsFoundAsTheRefusalSays(t *testing.T) {
	db := storagetest.SQLite(t, schema)
	fill(t, db, 0, 4)
	if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		_, err := tx.Exec(ctx, "UPDATE boxes SET label = 'alpha*' WHERE id = 'b01'")
		return err
	}); err != nil {
		t.Fatal(err)
	}
	_, _, err := page(t.Context(), db, boxes, &request{Filter: `label = "alpha*"`})
	if err == nil || !strings.Contains(err.Error(), `Write label:"alpha" for texts that have this in them, or \* in quotes`) {
		t.Errorf("refused with %v", err)
	}
	for filter, want := range map[string]string{`label:"alpha"`: "b00 b01", `label = "alpha\*"`: "b01", `label = "alpha"`: "b00"} {
		ids, _, err := page(t.Context(), db, boxes, &request{Filter: filter})
		if got := strings.Join(ids, " "); got != want || err != nil {
			t.Errorf("%s: %s, %v; want %s", filter, got, err, want)
		}
	}
}

// Whatever somebody writes, it is refused or it runs; it never becomes part of the statement.
func TestAnyFilterIsRefusedOrRuns(t *testing.T) {
	db := storagetest.SQLite(t, schema)
	fill(t, db, 0, 3)
	pieces := []string{"size", "label", "state", "sealed", "=", "!=", "<", ":", "3", "OPEN", "'", "\"", "(", ")", " ", "AND", "OR",
		"NOT", "*", "%", "--", ";", "DROP TABLE boxes", "\\", "$1", "\x00", "é"}
	rapid.Check(t, func(rt *rapid.T) {
		filter := strings.Join(rapid.SliceOf(rapid.SampledFrom(pieces)).Draw(rt, "pieces"), rapid.SampledFrom([]string{"", " "}).Draw(rt, "gap"))
		ids, _, err := page(t.Context(), db, boxes, &request{Filter: filter})
		if err != nil && !fault.HasReason(err, "FILTER_INVALID") {
			rt.Fatalf("%q: %v", filter, err)
		}
		if !slices.IsSorted(ids) {
			rt.Fatalf("%q: %v", filter, ids)
		}
	})
	if got := walk(t, db, boxes, &request{}); len(got) != 3 {
		t.Errorf("the table has %d rows left", len(got))
	}
}
