package eventbus

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"

	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/storage"
)

// Model is what a consumer keeps of facts and of nothing else, so that it can be emptied and filled again from them.
type Model struct {
	Types []string // the facts that fill it; their effects change nothing else
	Rows  []Rows
}

// Rows are rows of a table.
type Rows struct {
	Table string
	Where string // which of its rows, in SQL; empty for all
}

// Content is how many rows there are, and a SHA-256 over all of them in hex.
type Content struct {
	Count int
	Hash  string
}

// replaying marks the context of facts that take effect again.
type replaying struct{}

// Replayed says whether a fact takes effect again to fill a model: what else followed from it followed when it was new.
func Replayed(ctx context.Context) bool { return ctx.Value(replaying{}) != nil }

// Rebuilt is what replaying the facts into empty rows came to.
type Rebuilt struct {
	Rows

	Before, After Content
}

// Same reports whether the facts say what was there.
func (r Rebuilt) Same() bool { return r.Before == r.After }

// replayBatch is how many facts are read at once.
const replayBatch = 500

// Rebuild empties a consumer's model and lets every fact that the consumer has processed take effect on it again, at the instant at which it
// did. Rows that come out otherwise are put back as they were, unless differences are accepted. It is one transaction that waits for the
// stream, so it is for a service that serves nobody meanwhile; on PostgreSQL other instances wait for it.
func (b *Bus) Rebuild(ctx context.Context, db *storage.DB, c Consumer, accept bool) (rebuilt []Rebuilt, err error) {
	err = db.Update(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		if rebuilt, err = b.rebuild(ctx, tx, c); err != nil {
			return err
		}
		if !accept && slices.ContainsFunc(rebuilt, func(r Rebuilt) bool { return !r.Same() }) {
			return storage.ErrTakeBack
		}
		return nil
	})
	if errors.Is(err, storage.ErrTakeBack) {
		err = nil
	}
	return rebuilt, err
}

func (b *Bus) rebuild(ctx context.Context, tx *storage.Tx, c Consumer) ([]Rebuilt, error) {
	if err := c.Model.lock(ctx, tx); err != nil {
		return nil, err
	}
	told, err := contentOf(ctx, tx, Rows{Table: "outbox"})
	if err != nil {
		return nil, err
	}
	var rebuilt []Rebuilt
	for _, rows := range c.Model.Rows {
		before, err := contentOf(ctx, tx, rows)
		if err != nil {
			return nil, err
		}
		if _, err := tx.Exec(ctx, "DELETE FROM "+rows.text()); err != nil {
			return nil, err
		}
		rebuilt = append(rebuilt, Rebuilt{Rows: rows, Before: before})
	}
	r := replay{Consumer: c, tx: tx, seen: map[string]bool{}, blocked: map[aggregate]bool{}}
	if err := r.all(context.WithValue(ctx, replaying{}, true), b); err != nil {
		return nil, err
	}
	for i, rows := range c.Model.Rows {
		if rebuilt[i].After, err = contentOf(ctx, tx, rows); err != nil {
			return nil, err
		}
	}
	if after, err := contentOf(ctx, tx, Rows{Table: "outbox"}); err != nil || after != told {
		return nil, errors.Join(fmt.Errorf("the model of %s tells facts when it is filled, so it can't be filled again; nothing was changed", c.Durable), err)
	}
	return rebuilt, nil
}

// lock keeps other instances from processing facts meanwhile; SQLite has one process.
func (m Model) lock(ctx context.Context, tx *storage.Tx) error {
	if tx.Engine() == storage.SQLite {
		return nil
	}
	tables := []string{"processed_events"}
	for _, rows := range m.Rows {
		tables = append(tables, rows.Table)
	}
	_, err := tx.Exec(ctx, "LOCK TABLE "+strings.Join(tables, ", ")+" IN SHARE ROW EXCLUSIVE MODE")
	return err
}

// aggregate is what facts have an order about.
type aggregate struct{ source, subject string }

// replay lets facts take effect again.
type replay struct {
	Consumer

	tx      *storage.Tx
	seen    map[string]bool    // the stream may have a fact twice
	blocked map[aggregate]bool // whose facts wait for one that came too early
	early   []Message
}

func (r *replay) all(ctx context.Context, b *Bus) error {
	if err := b.each(ctx, r.Model.Types, func(m Message) error { return r.take(ctx, m) }); err != nil {
		return err
	}
	return r.rest(ctx)
}

// rest tries what came too early until nothing more takes effect.
func (r *replay) rest(ctx context.Context) error {
	for len(r.early) > 0 {
		again := r.early
		r.early, r.blocked = nil, map[aggregate]bool{}
		for _, m := range again {
			if err := r.apply(ctx, m); err != nil {
				return err
			}
		}
		if len(r.early) == len(again) {
			return fmt.Errorf("%d facts can't take effect again, the first is %s %s about %s; nothing was changed",
				len(again), again[0].Type, again[0].ID, again[0].Subject)
		}
	}
	return nil
}

func (r *replay) take(ctx context.Context, m Message) error {
	if r.seen[m.ID] {
		return nil
	}
	r.seen[m.ID] = true
	return r.apply(ctx, m)
}

// apply lets a fact take effect at the instant at which it did; one that was never processed has to wait for its consumer, and one that was given
// up has no effect now either.
func (r *replay) apply(ctx context.Context, m Message) error {
	var at int64
	err := r.tx.QueryRow(ctx, `SELECT process_time FROM processed_events WHERE consumer = $1 AND event_id = $2 AND NOT EXISTS
		(SELECT 1 FROM parked_events d WHERE d.consumer = $1 AND d.event_id = $2 AND d.discard_time > 0)`, r.Durable, m.ID).Scan(&at)
	if errors.Is(err, storage.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	about := aggregate{m.Source, m.Subject}
	if !r.blocked[about] {
		if err = r.effect(clock.Standing(asConsumer(ctx, r.Durable), storage.FromMicros(at)), m); !isNotYet(err) {
			return err
		}
	}
	r.blocked[about], r.early = true, append(r.early, m)
	return nil
}

func (r *replay) effect(ctx context.Context, m Message) error {
	effect, err := r.Handle(ctx, m)
	if err != nil || effect == nil {
		return err
	}
	return r.tx.Try(ctx, func(ctx context.Context) error { return effect(ctx, r.tx) })
}

// asConsumer is the context in which a consumer acts.
func asConsumer(ctx context.Context, durable string) context.Context {
	return auth.NewContext(ctx, auth.Identity{Account: "services/" + durable, Kind: auth.Service, Roles: []string{auth.RoleService}})
}

// text is the rows as they stand in a statement.
func (r Rows) text() string {
	if r.Where == "" {
		return r.Table
	}
	return r.Table + " WHERE " + r.Where
}

// contentOf counts rows and hashes all their columns.
func contentOf(ctx context.Context, tx *storage.Tx, r Rows) (c Content, err error) {
	columns, err := columnsOf(ctx, tx, r.Table)
	if err != nil {
		return c, err
	}
	list := strings.Join(columns, ", ")
	rows, err := tx.Query(ctx, "SELECT "+list+" FROM "+r.text()+" ORDER BY "+list)
	if err != nil {
		return c, err
	}
	defer func() { _ = rows.Close() }()
	h := sha256.New()
	values, into := make([]string, len(columns)), make([]any, len(columns))
	for i := range values {
		into[i] = &values[i]
	}
	for ; rows.Next(); c.Count++ {
		if err := rows.Scan(into...); err != nil {
			return c, err
		}
		_, _ = fmt.Fprintf(h, "%q\n", values) // quoted, so that no two rows are written alike
	}
	c.Hash = hex.EncodeToString(h.Sum(nil))
	return c, rows.Err()
}

// columnsOf are a table's columns, each as text.
func columnsOf(ctx context.Context, tx *storage.Tx, table string) ([]string, error) {
	query, bytes := "SELECT name, type FROM pragma_table_info($1) ORDER BY cid", "hex(%s)"
	if tx.Engine() == storage.Postgres {
		query, bytes = `SELECT column_name, data_type FROM information_schema.columns WHERE table_schema = current_schema() AND table_name = $1
			ORDER BY ordinal_position`, "encode(%s, 'hex')"
	}
	columns, err := storage.Collect(ctx, tx, func(row storage.Scanner) (string, error) {
		var name, kind string
		err := row.Scan(&name, &kind)
		if kind == "BLOB" || kind == "bytea" {
			return fmt.Sprintf(bytes, name), err
		}
		return "CAST(" + name + " AS TEXT)", err
	}, query, table)
	if err == nil && len(columns) == 0 {
		err = fmt.Errorf("there is no table %s", table)
	}
	return columns, err
}
