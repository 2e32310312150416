package storage

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"coldsection.example/services/platform/clock"
)

const (
	fenceHold  = 3 * time.Second        // how long writers may be kept waiting at once: less than they wait before they give up
	fencePause = 500 * time.Microsecond // between two looks whether a writer is between two commits
	fenceRest  = 2 * time.Second        // for the writers, after a fence that did not come about
	fenceTries = 20
)

// Copy says where an SQLite database is copied to.
type Copy struct{ From, Into string }

// Snapshots copies SQLite databases, which other processes may be writing, into files that are not there yet, all as they are at one moment:
// for an instant nobody can commit to any of them, and what each holds then is copied while the writers go on. The copies hold everything that
// was acknowledged before, and lie on the disk when Snapshots returns.
func Snapshots(ctx context.Context, copies []Copy) (err error) {
	sources := make([]*source, len(copies))
	defer func() {
		for _, s := range sources {
			if s != nil {
				err = errors.Join(err, s.close())
			}
		}
	}()
	for i, c := range copies {
		if sources[i], err = openSource(ctx, c); err != nil {
			return err
		}
	}
	if err := fence(ctx, sources); err != nil {
		return err
	}
	for _, s := range sources {
		if err := s.copy(); err != nil {
			return fmt.Errorf("copying %s: %w", s.From, err)
		}
	}
	return nil
}

// source is a database that is being copied: one connection keeps its writers out, the other one sees it as it was then.
type source struct {
	Copy

	db          *sql.DB
	gate, sight *sql.Conn
}

func openSource(ctx context.Context, c Copy) (*source, error) {
	if _, err := os.Stat(c.From); err != nil {
		return nil, err
	}
	if _, err := os.Stat(c.Into); err == nil {
		return nil, fmt.Errorf("%s is there already", c.Into)
	}
	db, err := sql.Open("sqlite", sqliteDSN(c.From, false, 0))
	if err != nil {
		return nil, err
	}
	s := &source{Copy: c, db: db}
	if s.gate, err = db.Conn(ctx); err == nil {
		s.sight, err = db.Conn(ctx)
	}
	if err == nil {
		_, err = s.gate.ExecContext(ctx, "PRAGMA busy_timeout = 0")
	}
	if err != nil {
		return nil, errors.Join(err, s.close())
	}
	return s, nil
}

func (s *source) close() error {
	var errs []error
	for _, conn := range []*sql.Conn{s.gate, s.sight} {
		if conn != nil {
			_, _ = conn.ExecContext(context.Background(), "ROLLBACK") // where nothing was begun there is nothing to end
			errs = append(errs, conn.Close())
		}
	}
	return errors.Join(append(errs, s.db.Close())...)
}

// fence lets every source see the same moment.
func fence(ctx context.Context, sources []*source) error {
	for range fenceTries {
		all, err := shut(ctx, sources)
		for _, s := range sources {
			if err == nil && all {
				_, err = s.sight.ExecContext(ctx, "BEGIN")
			}
			if err == nil && all {
				var n int
				err = s.sight.QueryRowContext(ctx, "SELECT COUNT(*) FROM sqlite_schema").Scan(&n) // the first read fixes what is seen
			}
		}
		for _, s := range sources {
			_, _ = s.gate.ExecContext(context.WithoutCancel(ctx), "ROLLBACK")
		}
		if err != nil || all {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-clock.System().After(fenceRest):
		}
	}
	return errors.New("the databases are written without a pause, so no one moment of all of them could be had; try again when less is going on")
}

// shut keeps writers out of all sources; false when that takes longer than they may wait. Whoever commits is let finish.
func shut(ctx context.Context, sources []*source) (bool, error) {
	limit := clock.System().After(fenceHold)
	for _, s := range sources {
		for {
			_, err := s.gate.ExecContext(ctx, "BEGIN IMMEDIATE")
			if err == nil {
				break
			}
			if sqliteCode(err)&0xff != sqlite3.SQLITE_BUSY {
				return false, err
			}
			select {
			case <-limit:
				return false, nil
			case <-ctx.Done():
				return false, ctx.Err()
			case <-clock.System().After(fencePause):
			}
		}
	}
	return true, nil
}

// copy writes what the source sees into the file.
func (s *source) copy() error {
	err := s.sight.Raw(func(raw any) error {
		conn, ok := raw.(interface {
			NewBackup(uri string) (*sqlite.Backup, error)
		})
		if !ok {
			return fmt.Errorf("%T makes no copies", raw)
		}
		b, err := conn.NewBackup((&url.URL{Scheme: "file", Opaque: (&url.URL{Path: s.Into}).EscapedPath()}).String())
		if err != nil {
			return err
		}
		_, err = b.Step(-1)
		return errors.Join(err, b.Finish())
	})
	if err != nil {
		return err
	}
	return flush(s.Into)
}

// flush writes a file to its disk.
func flush(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0o600)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// Inspect opens an SQLite file that no process serves, checks its pages and lets look read and change it in one transaction; without an error
// of it, what it changed stays.
func Inspect(ctx context.Context, path string, look Func) (err error) {
	release, err := lockFile(path + ".lock")
	if err != nil {
		return err
	}
	db, err := sql.Open("sqlite", sqliteDSN(path, false, 0))
	if err != nil {
		return errors.Join(err, release())
	}
	db.SetMaxOpenConns(1)
	defer func() { err = errors.Join(err, db.Close(), release(), os.Remove(path+".lock")) }()
	var verdict string
	if err := db.QueryRowContext(ctx, "PRAGMA integrity_check").Scan(&verdict); err != nil {
		return fmt.Errorf("%s can't be checked: %w", path, err)
	}
	if verdict != "ok" {
		return fmt.Errorf("%s is damaged: %s", path, verdict)
	}
	raw, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = raw.Rollback() }()
	if err := look(ctx, &Tx{s: &direct{q: pooled{raw}}, engine: SQLite}); err != nil {
		return err
	}
	return raw.Commit()
}
