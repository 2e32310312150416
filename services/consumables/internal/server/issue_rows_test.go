package server_test

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// issueRows writes what an issue writes, for all callers at once: a few statements a table, no question, no decision.
type issueRows struct {
	db    *storage.DB
	body  []byte
	texts map[string]string
}

func rowsOf(db *storage.DB) issueRows {
	return issueRows{db, []byte(strings.Repeat("b", 300)), map[string]string{}}
} // what a movement's message takes

// bulk is a statement for as many rows as there are callers.
type bulk struct {
	head, tail string
	row        func(caller int) []any
}

// at is how many rows a statement takes that is the quickest on the engine.
func (r issueRows) at() int {
	if r.db.Engine() == storage.SQLite {
		return 16
	}
	return callers
}

// text is the statement for so many rows, made once.
func (r issueRows) text(s bulk) string {
	if text, ok := r.texts[s.head+s.tail]; ok {
		return text
	}
	var marks strings.Builder
	n := 0
	for range r.at() {
		separator := ", ("
		for _, value := range s.row(0) {
			n++
			marks.WriteString(separator + r.mark(n, value))
			separator = ", "
		}
		marks.WriteString(")")
	}
	r.texts[s.head+s.tail] = s.head + " (VALUES " + marks.String()[2:] + ") " + s.tail
	return r.texts[s.head+s.tail]
}

func (r issueRows) mark(n int, value any) string {
	if r.db.Engine() == storage.SQLite {
		return "?"
	}
	switch value.(type) {
	case int64:
		return fmt.Sprintf("$%d::bigint", n)
	case []byte:
		return fmt.Sprintf("$%d::bytea", n)
	default:
		return fmt.Sprintf("$%d::text", n)
	}
}

// group writes the rows of an issue by every caller.
func (r issueRows) group(ctx context.Context, turn int) error {
	id := func(c int) string { return fmt.Sprintf("%012d-%s", turn*callers+c, "01940000-0000-7000-8000") }
	lot, order := func(c int) string { return fmt.Sprintf("lots/b%d", c) }, func(c int) string { return fmt.Sprintf("workOrders/b%d", c) }
	small, now := int64(1), storage.Micros(morning)
	statements := []bulk{
		{"UPDATE demands SET issued = issued + v.column1 FROM", "AS v WHERE name = v.column2", func(c int) []any { return []any{small, order(c) + " items/cleaner"} }},
		{
			"UPDATE reservations SET version = version + 1, body = v.column1 FROM", "AS v WHERE work_order = v.column2 AND reservations.lot = v.column3 AND state = v.column4",
			func(c int) []any { return []any{r.body[:150], order(c), lot(c), "CLAIMED"} },
		},
		{"UPDATE lots SET version = version + 1, body = v.column1 FROM", "AS v WHERE name = v.column2", func(c int) []any { return []any{r.body, lot(c)} }},
		{"UPDATE balances SET amount = amount - v.column1 FROM", "AS v WHERE lot = v.column2 AND location = v.column3", func(c int) []any { return []any{small, lot(c), shelf} }},
		{"UPDATE balances SET amount = amount + v.column1 FROM", "AS v WHERE lot = v.column2 AND location = v.column3", func(c int) []any { return []any{small, lot(c), order(c)} }},
		{"INSERT INTO movements (name, version, body, kind, lot, item, work_order, effective_time, create_time) SELECT * FROM", "AS v", func(c int) []any {
			return []any{"stockMovements/" + id(c), small, r.body, "ISSUED", lot(c), "items/cleaner", order(c), now, now}
		}},
		{"INSERT INTO postings (movement, line, lot, location, amount) SELECT * FROM", "AS v", func(c int) []any {
			return []any{"stockMovements/" + id(c), small, lot(c), shelf, -small}
		}},
		{"INSERT INTO postings (movement, line, lot, location, amount) SELECT * FROM", "AS v", func(c int) []any {
			return []any{"stockMovements/" + id(c), small + 1, lot(c), order(c), small}
		}},
		{"INSERT INTO outbox (id, type, source, subject, event_time, actor, traceparent, data, version) SELECT * FROM", "AS v", func(c int) []any {
			return []any{ids.System().New(), "coldsection.stock.issued.v1", "consumables", "stockMovements/" + id(c), now, "accounts/cleo", "", r.body, small}
		}},
		{"INSERT INTO idempotency_keys (caller, method, request_key, fingerprint, answer, create_time) SELECT * FROM", "AS v", func(int) []any {
			return []any{"accounts/cleo", "/coldsection.consumables.v1.ConsumablesService/IssueStock", ids.System().New(), strings.Repeat("f", 64), r.body, now}
		}},
	}
	return r.db.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		for _, s := range statements {
			if err := r.run(ctx, tx, s); err != nil {
				return fmt.Errorf("%s: %w", s.head, err)
			}
		}
		return nil
	})
}

func (r issueRows) run(ctx context.Context, tx *storage.Tx, s bulk) error {
	for first := 0; first < callers; first += r.at() {
		var args []any
		for c := first; c < first+r.at(); c++ {
			args = append(args, s.row(c)...)
		}
		if err := tx.Queue(ctx, func(changed int64, err error) error {
			if err == nil && changed != int64(r.at()) {
				return fmt.Errorf("%d rows changed, %d wanted", changed, r.at())
			}
			return err
		}, r.text(s), args...); err != nil {
			return err
		}
	}
	return nil
}

// The rows that issues are held against are those of an issue, on either engine: as many, in the same tables.
func TestTheRowsBesideAnIssueAreAnIssues(t *testing.T) {
	tables := []string{"movements", "postings", "outbox", "idempotency_keys", "reservations", "demands", "lots", "balances"}
	storagetest.Engines(t, store.Migrations(), func(t *testing.T, db *storage.DB) {
		d := open(t, db)
		d.catalogue()
		for c := range callers {
			d.stocked("cleaner", fmt.Sprintf("b%d", c), "1000.1", days(200))
			d.needs(fmt.Sprintf("workOrders/b%d", c), "cleaner", "1000")
			of(0, d.issuing(c, 0)).done(t)
		}
		rows := func() (n []int64) {
			of(0, d.db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
				for _, table := range tables {
					var count int64
					if err := tx.QueryRow(ctx, "SELECT COUNT(*) FROM "+table).Scan(&count); err != nil {
						return err
					}
					n = append(n, count)
				}
				return nil
			})).done(t)
			return n
		}
		before := rows()
		for c := range callers {
			of(0, d.issuing(c, 0)).done(t)
		}
		issued := rows()
		of(0, rowsOf(db).group(t.Context(), 1)).done(t)
		written := rows()
		for i, table := range tables {
			if issued[i]-before[i] != written[i]-issued[i] {
				t.Errorf("%s: issues add %d rows, the rows beside them %d", table, issued[i]-before[i], written[i]-issued[i])
			}
		}
	})
}
