package suite

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"time"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/storage"
)

// restorePart puts one part alone back into a state folder that is there. What was there is kept beside it.
func (c *restoreCommand) restorePart(ctx context.Context, stdout io.Writer, m *manifest) error {
	name := c.Part + ".db"
	there := filepath.Join(c.State, name)
	aside := filepath.Join(c.State, "replaced-"+c.Part+"-"+strconv.FormatInt(clock.System().Now().UnixMilli(), 10))
	if err := moveAside(there, aside); err != nil {
		return err
	}
	if err := c.putBack(ctx, m, name); err != nil {
		return errors.Join(err, moveBack(aside, there))
	}
	next := "before the suite starts: coldsection rejoin --state " + c.State
	if c.Part == Gateway {
		next = "start the suite, and look at accounts, keys and webhook endpoints, which are as they were then"
	}
	at := m.Time.Format(time.RFC3339)
	return c.tell(stdout, []string{fmt.Sprintf("Put back and checked: %s as it was at %s. What was there is in %s. Next, %s.", c.Part, at, aside, next)},
		[]string{"folder", "time", "files", "secret"}, []string{c.State, at, "1", "false"})
}

// beside are the endings of the files that make an SQLite database.
var beside = []string{"", "-wal", "-shm"}

// moveAside keeps the files of a database that no process has open, whole or damaged, in a new folder. The state folder must be one of a suite.
func moveAside(there, aside string) error {
	state := filepath.Dir(there)
	if !slices.ContainsFunc(Parts, func(part string) bool {
		_, err := os.Stat(filepath.Join(state, part+".db"))
		return err == nil
	}) {
		return fmt.Errorf("there is no suite in %s into which one part could be put back; without --part, restore makes a new one", state)
	}
	if err := storage.Free(there); err != nil {
		return fmt.Errorf("the suite must be stopped: %w", err)
	}
	if err := os.Mkdir(aside, 0o700); err != nil {
		return err
	}
	return moved(there, filepath.Join(aside, filepath.Base(there)))
}

// moveBack is what is left of a part that could not be put back: what was there.
func moveBack(aside, there string) error {
	for _, ending := range beside {
		if err := os.Remove(there + ending); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return errors.Join(moved(filepath.Join(aside, filepath.Base(there)), there), os.Remove(aside))
}

// moved moves the files of a database, as far as there are any.
func moved(from, to string) error {
	for _, ending := range beside {
		if err := os.Rename(from+ending, to+ending); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}

// putBack copies the database out of the backup, checks it, and marks it, so that its part does not start before it is among the others again.
func (c *restoreCommand) putBack(ctx context.Context, m *manifest, name string) error {
	if err := copyFile(filepath.Join(c.From, name), filepath.Join(c.State, name)); err != nil {
		return err
	}
	return storage.Inspect(ctx, filepath.Join(c.State, name), func(ctx context.Context, tx *storage.Tx) error {
		if err := m.check(ctx, tx, c.Part); err != nil || c.Part == Gateway {
			return err // the gateway goes on after the fact that it followed last
		}
		return eventbus.MarkPutBack(ctx, tx)
	})
}
