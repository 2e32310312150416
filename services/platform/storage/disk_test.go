package storage_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

// book commits a thing with its fact and its record, as a service does; the record makes it some pages long.
func book(ctx context.Context, db *storage.DB, id string) error {
	at := time.Date(2026, 9, 7, 6, 0, 0, 0, time.UTC)
	return db.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
		if _, err := tx.Exec(ctx, addThing, id, 1); err != nil {
			return err
		}
		_, _, err := recordchain.Append(ctx, tx, recordchain.Entry{
			Stream: "things", Kind: "made", Subject: "things/" + id, At: at, Fields: []recordchain.Field{{Name: "text", Value: strings.Repeat(id, 2000)}},
		})
		return errors.Join(err, outbox.Append(ctx, tx, outbox.New(id, at, "things", "coldsection.stock.issued.v1", "lots/a", &consumablesv1.StockMoved{Movement: id})))
	})
}

// booked are the things that a file holds; its pages, record chain and facts must be whole, and say the same.
func booked(ctx context.Context, path string) (ids []string, err error) {
	err = storage.Inspect(ctx, path, func(ctx context.Context, tx *storage.Tx) error {
		names := func(query string) (all []string, err error) {
			return storage.Collect(ctx, tx, func(row storage.Scanner) (id string, err error) {
				err = row.Scan(&id)
				return id, err
			}, query)
		}
		if ids, err = names("SELECT id FROM things ORDER BY id"); err != nil {
			return err
		}
		told, err := names("SELECT id FROM outbox ORDER BY version")
		if err == nil && !slices.Equal(told, ids) {
			err = fmt.Errorf("things %v and facts %v", ids, told)
		}
		records, again := names("SELECT subject FROM record_chain ORDER BY position")
		if again == nil && len(records) != len(ids) {
			again = fmt.Errorf("%d things and %d records", len(ids), len(records))
		}
		return errors.Join(err, again, recordchain.VerifyAll(ctx, tx), outbox.Gapless(ctx, tx))
	})
	return ids, err
}

// Disk full: the store refuses clearly, reads go on, and as soon as there is room so do writes. What was answered is there, what was refused is
// not. At many places, as the log and the file reach any size.
func TestAFullDiskLosesNothingThatWasAnswered(t *testing.T) {
	path := filepath.Join(t.TempDir(), "things.db")
	db, err := storage.Open(t.Context(), storage.Config{Engine: storage.SQLite, Path: path}, things)
	if err != nil {
		t.Fatal(err)
	}
	var answered []string
	refused, n := 0, 0
	next := func() error {
		n++
		id := fmt.Sprintf("t%04d", n)
		err := book(t.Context(), db, id)
		if err == nil {
			answered = append(answered, id)
		}
		return err
	}
	for range 25 {
		for range 1 + rand.IntN(5) {
			if err := next(); err != nil {
				t.Fatalf("with room: %v", err)
			}
		}
		room := storagetest.FullDisk(t)
		for failed := 0; failed < 3; {
			if err := next(); err != nil {
				failed++
				if !fault.HasReason(err, "STORE_UNAVAILABLE") {
					t.Errorf("on a full disk: %v, want STORE_UNAVAILABLE", err)
				}
			}
			if kept := count(t, db); kept != len(answered) {
				t.Errorf("on a full disk %d things can be read, want %d", kept, len(answered))
			}
		}
		room()
		refused += 3
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	if got, err := booked(t.Context(), path); err != nil || !slices.Equal(got, answered) {
		t.Errorf("%d things are kept, want the %d that were answered; %d were refused: %v", len(got), len(answered), refused, err)
	}
}

// grown is a database whose process was cut off from its power: its files as they were, and how long its log was when each thing was answered.
type grown struct {
	path string
	log  []byte
	at   []int
}

func grow(t *testing.T, commits int) grown {
	t.Helper()
	path := filepath.Join(t.TempDir(), "things.db")
	db, err := storage.Open(t.Context(), storage.Config{Engine: storage.SQLite, Path: path}, things)
	if err != nil {
		t.Fatal(err)
	}
	g := grown{path: filepath.Join(t.TempDir(), "cut.db")}
	for i := range commits {
		if err := book(t.Context(), db, fmt.Sprintf("t%04d", i)); err != nil {
			t.Fatal(err)
		}
		info, err := os.Stat(path + "-wal")
		if err != nil {
			t.Fatal(err)
		}
		g.at = append(g.at, int(info.Size()))
	}
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if g.log, err = os.ReadFile(path + "-wal"); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(db.Close(), os.WriteFile(g.path, whole, 0o600)); err != nil {
		t.Fatal(err)
	}
	return g
}

// after is how many commits were answered when the log was so long.
func (g grown) after(size int) int {
	n, _ := slices.BinarySearch(g.at, size+1)
	return n
}

// Power cut: of the log only what was written reached the disk, and of the rest nothing, half of a sector, or what was there before. Every
// commit that was answered before the cut is there, nothing of a later one is, and the chain of records and the numbers of facts hold.
func TestATornLogKeepsEveryCommitBeforeTheTear(t *testing.T) {
	g := grow(t, 40)
	tears := map[string]func(cut int) []byte{
		"nothing after it": func(cut int) []byte { return g.log[:cut] },
		"zeros after it":   func(cut int) []byte { return append(slices.Clone(g.log[:cut]), make([]byte, len(g.log)-cut)...) },
		"a sector of noise": func(cut int) []byte {
			torn := slices.Clone(g.log)
			for i := cut; i < min(cut+512, len(torn)); i++ {
				torn[i] ^= byte(1 + rand.IntN(255))
			}
			return torn
		},
	}
	for name, tear := range tears {
		for range 80 {
			cut := g.at[0] + rand.IntN(len(g.log)-g.at[0])
			if err := errors.Join(os.WriteFile(g.path+"-wal", tear(cut), 0o600), os.RemoveAll(g.path+"-shm")); err != nil {
				t.Fatal(err)
			}
			before, err := os.ReadFile(g.path)
			if err != nil {
				t.Fatal(err)
			}
			got, err := booked(t.Context(), g.path)
			if want := g.after(cut); err != nil || len(got) != want {
				t.Errorf("%s at byte %d of %d: %d commits are there, want %d: %v", name, cut, len(g.log), len(got), want, err)
			}
			if err := os.WriteFile(g.path, before, 0o600); err != nil { // Inspect took the log over
				t.Fatal(err)
			}
		}
	}
}
