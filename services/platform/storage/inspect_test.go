package storage_test

import (
	"context"
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

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
