package storage_test

import (
	"context"
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"coldsection.example/services/platform/storage"
)

// madeThing opens a database with one thing in a folder of its own; it is closed when the test says so, or ends.
func madeThing(t *testing.T) (path string, db *storage.DB) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "things.db")
	db, err := storage.Open(t.Context(), storage.Config{Engine: storage.SQLite, Path: path}, things)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	if err := db.Update(t.Context(), insert("a", 1)); err != nil {
		t.Fatal(err)
	}
	return path, db
}

func gone(t *testing.T, path string) {
	t.Helper()
	if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("%s is there: %v", path, err)
	}
}

// What a look changed stays, unless it had an error; either way the file is free again afterwards, and no lock lies beside it.
func TestALookKeepsWhatItChangedUnlessItFailed(t *testing.T) {
	path, db := madeThing(t)
	look := func(id string, verdict error) error {
		return storage.Inspect(t.Context(), path, func(ctx context.Context, tx *storage.Tx) error {
			return errors.Join(insert(id, 1)(ctx, tx), verdict)
		})
	}
	if err := look("served", nil); err == nil || !strings.Contains(err.Error(), "another process has") {
		t.Errorf("a file that is served: %v", err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	refused := errors.New("not as it was")
	for _, c := range []struct {
		id      string
		verdict error
		want    int
	}{{"b", nil, 2}, {"c", refused, 2}, {"d", nil, 3}} {
		if err := look(c.id, c.verdict); !errors.Is(err, c.verdict) || c.verdict == nil && err != nil {
			t.Errorf("%s: %v, want %v", c.id, err, c.verdict)
		}
		gone(t, path+".lock")
		if n := held(t, path); n != c.want {
			t.Errorf("%s: %d things, want %d", c.id, n, c.want)
		}
	}
}

// A file whose pages don't hold what its rules say, and one that is no database, are named with what is wrong, and nobody looks at them.
func TestADamagedFileIsNamedAndNotLookedAt(t *testing.T) {
	path, db := madeThing(t)
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	raw, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	raw.SetMaxOpenConns(1)
	for _, statement := range []string{"PRAGMA ignore_check_constraints = ON", "UPDATE things SET amount = -1"} {
		if _, err := raw.ExecContext(t.Context(), statement); err != nil {
			t.Fatal(err)
		}
	}
	if err := raw.Close(); err != nil {
		t.Fatal(err)
	}
	text := filepath.Join(t.TempDir(), "text.db")
	if err := os.WriteFile(text, []byte(strings.Repeat("this is a text and no database\n", 100)), 0o600); err != nil {
		t.Fatal(err)
	}
	for file, want := range map[string]string{path: "is damaged: CHECK constraint failed in things", text: "not a database"} {
		err := storage.Inspect(t.Context(), file, func(context.Context, *storage.Tx) error {
			t.Errorf("%s was looked at", file)
			return nil
		})
		if err == nil || !strings.Contains(err.Error(), file) || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "%!") {
			t.Errorf("got %v, want %q", err, want)
		}
		gone(t, file+".lock")
	}
}

// Nothing is copied where one of several can't be: neither from a file that is not there, nor into one that is there, nor for a caller who has gone; and
// the writers go on.
func TestWhereOneCopyCantBeMadeNoneIs(t *testing.T) {
	path, db := madeThing(t)
	dir := t.TempDir()
	into, there := filepath.Join(dir, "copy.db"), filepath.Join(dir, "there.db")
	if err := os.WriteFile(there, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	left, leave := context.WithCancel(t.Context())
	leave()
	for what, c := range map[string]struct {
		ctx    context.Context
		second storage.Copy
		want   string
	}{
		"no source":      {t.Context(), storage.Copy{From: filepath.Join(dir, "none.db"), Into: filepath.Join(dir, "second.db")}, "none.db"},
		"a target there": {t.Context(), storage.Copy{From: path, Into: there}, "there.db is there already"},
		"a caller left":  {left, storage.Copy{From: path, Into: filepath.Join(dir, "second.db")}, "context canceled"},
	} {
		err := storage.Snapshots(c.ctx, []storage.Copy{{From: path, Into: into}, c.second})
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", what, err, c.want)
		}
		gone(t, into)
		gone(t, filepath.Join(dir, "none.db"))
		if err := db.Update(t.Context(), insert(what, 1)); err != nil {
			t.Errorf("%s: the writer: %v", what, err)
		}
	}
	if text, err := os.ReadFile(there); string(text) != "mine" {
		t.Errorf("the file that was there says %q, %v", text, err)
	}
	if err := storage.Snapshots(t.Context(), []storage.Copy{{From: path, Into: into}}); err != nil || held(t, into) != 4 {
		t.Errorf("then: %v", err)
	}
}

// opened are the files of a folder that this process has open.
func opened(t *testing.T, folder string) (n int) {
	t.Helper()
	all, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Skip("the system doesn't tell which files are open")
	}
	for _, one := range all {
		if file, err := os.Readlink("/proc/self/fd/" + one.Name()); err == nil && strings.HasPrefix(file, folder) {
			n++
		}
	}
	return n
}

// A copy that can't be made is told with the file that it was of, from what is no database or into a folder that is not there; whoever has no time left
// while a writer is at work gets none; and nothing stays open.
func TestACopyThatFailsIsToldAndLeavesNothingOpen(t *testing.T) {
	path, db := madeThing(t)
	dir := t.TempDir()
	text := filepath.Join(filepath.Dir(path), "text.db")
	if err := os.WriteFile(text, []byte(strings.Repeat("this is a text and no database\n", 100)), 0o600); err != nil {
		t.Fatal(err)
	}
	for what, c := range map[string]struct {
		of   storage.Copy
		want string
	}{
		"no database": {storage.Copy{From: text, Into: filepath.Join(dir, "a.db")}, "not a database"},
		"no folder":   {storage.Copy{From: path, Into: filepath.Join(dir, "none", "b.db")}, "copying " + path},
	} {
		if err := storage.Snapshots(t.Context(), []storage.Copy{c.of}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", what, err, c.want)
		}
	}
	begun, proceed, ended := make(chan struct{}), make(chan struct{}), make(chan error, 1)
	go func() {
		ended <- db.Update(context.WithoutCancel(t.Context()), func(ctx context.Context, tx *storage.Tx) error {
			close(begun)
			<-proceed
			return insert("b", 1)(ctx, tx)
		})
	}()
	<-begun
	soon, cancel := context.WithTimeout(t.Context(), 500*time.Millisecond)
	defer cancel()
	into := filepath.Join(dir, "c.db")
	if err := storage.Snapshots(soon, []storage.Copy{{From: path, Into: into}}); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("while a writer is at work: %v", err)
	}
	gone(t, into)
	close(proceed)
	if err := <-ended; err != nil {
		t.Errorf("the writer: %v", err)
	}
	if err := storage.Snapshots(t.Context(), []storage.Copy{{From: path, Into: into}}); err != nil || held(t, into) != 2 {
		t.Errorf("then: %v", err)
	}
	if err := db.Close(); err != nil { // until then SQLite keeps files open on which this process holds locks
		t.Fatal(err)
	}
	if n := opened(t, filepath.Dir(path)); n != 0 {
		t.Errorf("%d files are open", n)
	}
}

// What a look changed against the rules that count at the end is an error, and nothing of it stays.
func TestALookThatCantBeKeptSaysSo(t *testing.T) {
	path := filepath.Join(t.TempDir(), "owed.db")
	owed := schema("CREATE TABLE things (id TEXT PRIMARY KEY);\nCREATE TABLE owed (thing TEXT NOT NULL REFERENCES things (id) DEFERRABLE INITIALLY DEFERRED);")
	db, err := storage.Open(t.Context(), storage.Config{Engine: storage.SQLite, Path: path}, owed)
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	err = storage.Inspect(t.Context(), path, func(ctx context.Context, tx *storage.Tx) error {
		_, err := tx.Exec(ctx, "INSERT INTO things (id) VALUES ('a')")
		_, again := tx.Exec(ctx, "INSERT INTO owed (thing) VALUES ('nothing')")
		return errors.Join(err, again)
	})
	if err == nil || !strings.Contains(err.Error(), "FOREIGN KEY") || held(t, path) != 0 {
		t.Errorf("got %v", err)
	}
}
