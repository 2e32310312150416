package clock

import (
	"fmt"
	"os"
	"strings"
	"time"
)

// File is the machine's clock moved by a distance that stands in a file, so that several processes share one invented
// calendar. It is for demonstrations and tests; a process that uses it says so when it starts.
type File struct {
	path   string
	offset Offset
}

// FromFile follows the file at path, which SetFile writes. A missing file means no distance; a file that can't be read as
// a duration is an error.
func FromFile(path string) (*File, error) {
	f := &File{path: path}
	if err := f.look(); err != nil {
		return nil, err
	}
	return f, nil
}

// Now is the machine's time plus the distance in the file.
func (f *File) Now() time.Time {
	_ = f.look() // a file that can't be read keeps the last distance
	return f.offset.Now()
}

// After waits in real time.
func (f *File) After(d time.Duration) <-chan time.Time { return f.offset.After(d) }

// look reads the file each time: its modification time is too coarse to tell two changes apart.
func (f *File) look() error {
	text, err := os.ReadFile(f.path)
	if os.IsNotExist(err) {
		return nil
	}
	if err != nil {
		return err
	}
	by, err := time.ParseDuration(strings.TrimSpace(string(text)))
	if err != nil {
		return fmt.Errorf("clock file %s: %w", f.path, err)
	}
	f.offset.by.Store(int64(by))
	return nil
}

// SetFile makes every clock that follows the file show t now. The file is replaced whole.
func SetFile(path string, t time.Time) error {
	next := path + ".next"
	if err := os.WriteFile(next, []byte(t.Sub(System().Now()).String()+"\n"), 0o600); err != nil {
		return err
	}
	return os.Rename(next, path)
}
