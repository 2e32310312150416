package resource

import (
	"bytes"
	"context"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// stamp sets the fields that the store owns.
func stamp(m proto.Message, version int64, now time.Time, created bool) {
	s, v, ok := shapeOf(m)
	if !ok {
		return
	}
	if s.etag >= 0 {
		v.Field(s.etag).SetString("v" + strconv.FormatInt(version, 10))
	}
	at := reflect.ValueOf(timestamppb.New(now))
	if s.created >= 0 && created {
		v.Field(s.created).Set(at)
	}
	if s.updated >= 0 {
		v.Field(s.updated).Set(at)
	}
}

// Insert adds a resource under its name. A name that is taken is refused with ALREADY_EXISTS.
func (t *Table[T]) Insert(ctx context.Context, tx *storage.Tx, m T, now time.Time) error {
	args, err := t.added(m, now)
	if err != nil {
		return err
	}
	n, err := tx.Exec(ctx, t.insert, args...)
	return t.followed(ctx, tx, m, exists(m, n, err))
}

// followed does what follows a row that was written.
func (t *Table[T]) followed(ctx context.Context, tx *storage.Tx, m T, err error) error {
	if err != nil || t.written == nil {
		return err
	}
	return t.written(ctx, tx, m)
}

// InsertLater is Insert for a name that nobody has, because it was made just now: nobody waits for it, and what is wrong with it
// fails the transaction.
func (t *Table[T]) InsertLater(ctx context.Context, tx *storage.Tx, m T, now time.Time) error {
	args, err := t.added(m, now)
	if err != nil {
		return err
	}
	return tx.QueueEach(ctx, func(n int64, err error) error { return exists(m, n, err) }, t.insert, args...)
}

// exists refuses a row that was not added.
func exists(m proto.Message, added int64, err error) error {
	if err == nil && added == 0 {
		return fault.Exists(Name(m))
	}
	return err
}

// added are the arguments that add a row.
func (t *Table[T]) added(m T, now time.Time) ([]any, error) {
	stamp(m, 1, now, true)
	return t.row(make([]any, 0, t.width()), m, 1)
}

// Save writes a changed resource back; it must have been read with Lock in the same transaction.
func (t *Table[T]) Save(ctx context.Context, tx *storage.Tx, m T, now time.Time) error {
	args, err := t.changed(ctx, tx, m, now)
	if err != nil {
		return err
	}
	n, err := t.change(ctx, tx, args)
	return t.followed(ctx, tx, m, stale(m, n, err))
}

// Held notes what the columns hold of resources that were read just now, in order to change them: SaveLater then leaves alone those that stay.
func (t *Table[T]) Held(tx *storage.Tx, ms ...T) {
	for _, m := range ms {
		tx.Note(m, t.values(nil, m))
	}
}

// SaveLater is Save that nobody waits for: what is wrong with it fails the transaction. A resource that Held did not note costs SQLite a wait.
func (t *Table[T]) SaveLater(ctx context.Context, tx *storage.Tx, m T, now time.Time) error {
	before, held := tx.Noted(m).([]any)
	if !held && tx.Engine() == storage.SQLite {
		return t.Save(ctx, tx, m, now)
	}
	args, err := t.changed(ctx, tx, m, now)
	if err != nil {
		return err
	}
	query, columns := t.update, args[2:len(args)-2]
	if held && slices.EqualFunc(before, columns, holdSame) {
		query, args = t.still, slices.Delete(slices.Clone(args), 2, len(args)-2)
	}
	if held {
		tx.Note(m, slices.Clone(columns))
	}
	return tx.QueueEach(ctx, func(n int64, err error) error { return stale(m, n, err) }, query, args...)
}

// holdSame reports whether a column holds the same as before.
func holdSame(before, now any) bool {
	if bytesBefore, ok := before.([]byte); ok {
		bytesNow, _ := now.([]byte)
		return bytes.Equal(bytesBefore, bytesNow)
	}
	return before == now
}

// stale refuses a row that was not changed, because somebody else did so before.
func stale(m proto.Message, changed int64, err error) error {
	if err == nil && changed == 0 {
		return fault.StaleEtag(Name(m))
	}
	return err
}

// changed are the arguments that change a row.
func (t *Table[T]) changed(ctx context.Context, tx *storage.Tx, m T, now time.Time) ([]any, error) {
	version, err := strconv.ParseInt(strings.TrimPrefix(Etag(m), "v"), 10, 64)
	if err != nil {
		if err := tx.QueryRow(ctx, "SELECT version FROM "+t.name+" WHERE name = $1", Name(m)).Scan(&version); err != nil {
			return nil, err
		}
	}
	stamp(m, version+1, now, false)
	body, err := proto.Marshal(m)
	if err != nil {
		return nil, err
	}
	args := t.values(append(make([]any, 0, 1+t.width()), version+1, body), m)
	return append(args, Name(m), version), nil
}

// change writes a row. SQLite writes the entries of every index again whose column is set, changed or not, so there the columns
// are left alone where they stay; PostgreSQL finds that out by itself.
func (t *Table[T]) change(ctx context.Context, tx *storage.Tx, args []any) (int64, error) {
	if tx.Engine() == storage.SQLite {
		if n, err := tx.Exec(ctx, t.touch, args...); err != nil || n > 0 {
			return n, err
		}
	}
	return tx.Exec(ctx, t.update, args...)
}
