package server_test

import (
	"context"
	"encoding/csv"
	"fmt"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/recordpack"
	"coldsection.example/services/platform/sheet"
	"coldsection.example/services/platform/storage"
)

// Check QUA-05: a thousand records with any texts come out of a pack's list as they went in, and what another reader of RFC 4180 sees begins no formula.
func TestAThousandRecordsComeOutOfAPackAsTheyWentIn(t *testing.T) {
	const rows = 1000
	w := onSQLite(t)
	wash(w)
	start := rapid.SampledFrom([]string{"", "=", "+", "-", "@", "'=", "''", `"`, ";", "- ", "1,"})
	note := rapid.StringMatching(`[ -~äµ°€]{0,20}[!-~]`)
	said := map[string][2]string{}
	if err := w.db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		for i := range rows {
			order := fmt.Sprintf("workOrders/n%04d", i)
			texts := [2]string{strings.TrimSpace(start.Example(i) + note.Example(i)), strings.TrimSpace(start.Example(i+rows) + note.Example(i+rows))}
			said[order] = texts
			if err := store.Accomplishments.Insert(ctx, tx, &compliancev1.Accomplishment{
				Name: fmt.Sprintf("requirements/wash/accomplishments/n%04d", i), Subject: "engines/one", DoneDate: on(2026, 1, 1+i%19), Counters: counters,
				WorkOrder: order, Method: texts[0], DocumentReference: texts[1],
			}, w.clock.Now()); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	pack, file := w.packed("engines/one", w.clock.Now(), w.clock.Now())
	if r := recordpack.Verify(file, pack.GetPublicKey()); len(r.Faults) > 0 {
		t.Fatalf("%+v", r)
	}
	list := unpacked(t, file)["records.csv"]
	noFormulas(t, list)
	table := must(sheet.Read([]byte(list), sheet.CSV, sheet.Options{}))(t)
	column := map[string]int{}
	for i, name := range table.Header {
		column[name] = i
	}
	for _, row := range table.Rows {
		order := row.Cells[column["work_order"]]
		if want, ours := said[order]; ours {
			if got := [2]string{row.Cells[column["method"]], row.Cells[column["document"]]}; got != want {
				t.Errorf("%s: %q, was %q", order, got, want)
			}
			delete(said, order)
		}
	}
	if len(said) > 0 {
		t.Errorf("%d records are not in the list", len(said))
	}
}

// noFormulas reads a list with another reader and looks at how its cells begin.
func noFormulas(t *testing.T, list string) {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(strings.TrimPrefix(list, "\ufeff"))).ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatal(len(rows), err)
	}
	for _, row := range rows {
		for _, cell := range row {
			if _, err := strconv.ParseFloat(cell, 64); err != nil && cell != "" && strings.ContainsRune("=+-@\t\r", rune(cell[0])) {
				t.Errorf("%q begins a formula", cell)
			}
		}
	}
}
