package resource

import (
	"context"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// together is how many resources one statement writes; a dozen columns each stay far below the engines' limits of arguments,
// 32,766 and 65,535.
const together = 250

// Rows are resources as a table keeps them, made before the transaction that adds them.
type Rows struct {
	names []string
	args  []any
}

// Rows stamps new resources as created at a time and encodes them, so that a transaction that waits for nothing adds them.
func (t *Table[T]) Rows(ms []T, now time.Time) (Rows, error) {
	rows := Rows{names: make([]string, 0, len(ms)), args: make([]any, 0, len(ms)*t.width())}
	var room []byte // for the bodies: one piece of memory is made sooner than many
	for i, m := range ms {
		stamp(m, 1, now, true)
		body, err := proto.MarshalOptions{}.MarshalAppend(room, m)
		if err != nil {
			return Rows{}, err
		}
		name := Name(m)
		rows.names = append(rows.names, name)
		rows.args = t.values(append(rows.args, name, int64(1), slices.Clip(body)), m)
		if room = body[len(body):]; cap(room) < len(body) {
			room = make([]byte, 0, min(len(ms)-i-1, together)*(len(body)+len(body)/4))
		}
	}
	return rows, nil
}

// width is how many columns the table has.
func (t *Table[T]) width() int { return 3 + len(t.names) }

// InsertAll adds resources under their names with few statements, and says of each whether it was added; a name that is taken,
// also by one before it, is left as it is.
func (t *Table[T]) InsertAll(ctx context.Context, tx *storage.Tx, rows Rows) (added []bool, err error) {
	added = make([]bool, len(rows.names))
	for first := 0; first < len(added); first += together {
		last := min(first+together, len(added))
		some := Rows{names: rows.names[first:last], args: rows.args[first*t.width() : last*t.width()]}
		if err := t.insertSome(ctx, tx, some, added[first:last]); err != nil {
			return nil, err
		}
	}
	return added, nil
}

// insertSome adds resources and notes which were added. SQLite takes a third longer to tell the names, and undoes a statement that
// fails without the transaction, so there it is done without telling first; names that are taken are seldom.
func (t *Table[T]) insertSome(ctx context.Context, tx *storage.Tx, rows Rows, added []bool) error {
	if tx.Engine() == storage.SQLite {
		_, err := tx.Exec(ctx, t.rowsOf(tx, len(added)), rows.args...)
		for i := range added {
			added[i] = err == nil
		}
		if !storage.IsUnique(err) {
			return err
		}
	}
	names, err := storage.Collect(ctx, tx, func(row storage.Scanner) (name string, err error) {
		err = row.Scan(&name)
		return name, err
	}, t.rowsOf(tx, len(added))+" ON CONFLICT (name) DO NOTHING RETURNING name", rows.args...)
	fresh := make(map[string]bool, len(names))
	for _, name := range names {
		fresh[name] = true
	}
	for i, name := range rows.names {
		added[i] = fresh[name]
		delete(fresh, name)
	}
	return err
}

// SaveAll writes changed resources back, each under another name, with few statements. They must have been read in the same
// transaction under a lock that covers them. It is for tables without further indices: every column is written.
func (t *Table[T]) SaveAll(ctx context.Context, tx *storage.Tx, ms []T, now time.Time) error {
	var sets strings.Builder
	for _, name := range t.names {
		sets.WriteString(", " + name + " = excluded." + name)
	}
	for first := 0; first < len(ms); first += together {
		some := ms[first:min(first+together, len(ms))]
		args := make([]any, 0, len(some)*t.width())
		for _, m := range some {
			version, err := strconv.ParseInt(strings.TrimPrefix(Etag(m), "v"), 10, 64)
			if err != nil {
				return err
			}
			stamp(m, version+1, now, false)
			if args, err = t.row(args, m, version+1); err != nil {
				return err
			}
		}
		n, err := tx.Exec(ctx, t.rowsOf(tx, len(some))+" ON CONFLICT (name) DO UPDATE SET version = excluded.version, body = excluded.body"+
			sets.String()+" WHERE "+t.name+".version = excluded.version - 1", args...)
		if err != nil {
			return err
		}
		if n != int64(len(some)) {
			return fault.StaleEtag(Name(some[0]))
		}
	}
	return nil
}

// row adds what a row of the table holds to args: name, version, body and the columns.
func (t *Table[T]) row(args []any, m T, version int64) ([]any, error) {
	body, err := proto.Marshal(m)
	if err != nil {
		return nil, err
	}
	return t.values(append(args, Name(m), version, body), m), nil
}

// rowsOf is the text that adds so many rows, up to what happens to a name that is taken. SQLite finds the name of each argument
// by passing over those before it, so that its arguments have none here.
func (t *Table[T]) rowsOf(tx *storage.Tx, rows int) string {
	var b strings.Builder
	head, _, _ := strings.Cut(t.insert, " VALUES ")
	b.WriteString(head + " VALUES ")
	width := t.width()
	for r := range rows {
		if r > 0 {
			b.WriteString(", ")
		}
		separator := "("
		for c := range width {
			b.WriteString(separator)
			if separator = ", "; tx.Engine() == storage.SQLite {
				b.WriteByte('?')
				continue
			}
			b.WriteString("$" + strconv.Itoa(r*width+c+1))
		}
		b.WriteByte(')')
	}
	return b.String()
}
