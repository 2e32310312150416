// Command fleet judges the suite by a fleet whose faults are known: it imports a fleet folder through the public API into a
// fresh suite, writes what the suite says, and scores it when the folder has the truth.
//
// A fleet folder holds baseline.csv (what a clean engine reads), readings.csv (in the order of their arrival), events.csv
// (washes) and, for a score, truth.json. The readings go in as time passes, so the suite can't look ahead.
package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/signal"
	"path/filepath"

	"github.com/alecthomas/kong"
)

type command struct {
	Dirs []string `arg:"" type:"existingdir" help:"The fleet folders."`
	Out  string   `help:"The folder for assessments.json of one fleet; by default into the fleet folder."`
	Days int      `default:"30" help:"How many days of readings each import holds."`
	Core bool     `help:"Judge the analysis alone, without the suite around it."`
}

func main() {
	var c command
	kong.Parse(&c, kong.Name("fleet"), kong.Description("Judges the suite by a fleet whose faults are known."))
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	err := c.run(ctx, os.Stdout)
	stop()
	if err != nil {
		_, _ = fmt.Fprintln(os.Stderr, "fleet:", err)
		os.Exit(1) //nolint:forbidigo // the program itself
	}
}

func (c *command) run(ctx context.Context, w io.Writer) error {
	if c.Out != "" && len(c.Dirs) > 1 {
		return errors.New("one folder does not hold the assessments of several fleets; leave --out out")
	}
	total, scored := &result{byKind: map[string]*share{}}, 0
	for _, dir := range c.Dirs {
		r, err := c.assess(ctx, dir)
		if err != nil {
			return fmt.Errorf("%s: %w", dir, err)
		}
		known, err := readTruth(filepath.Join(dir, "truth.json"))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		scored++
		total.add(r, known)
		if len(c.Dirs) > 1 {
			if err := score(r, known).tell(w, dir); err != nil {
				return err
			}
		}
	}
	if scored < len(c.Dirs) {
		if _, err := fmt.Fprintf(w, "%d of %d fleets have no truth.json, so they have no score.\n", len(c.Dirs)-scored, len(c.Dirs)); err != nil || scored == 0 {
			return err
		}
	}
	if len(c.Dirs) > 1 {
		if _, err := fmt.Fprintln(w, "All fleets:"); err != nil {
			return err
		}
	}
	return total.writeTo(w)
}

// assess writes what is said of one fleet.
func (c *command) assess(ctx context.Context, dir string) (report, error) {
	out := cmp.Or(c.Out, dir)
	if err := os.MkdirAll(out, 0o700); err != nil {
		return report{}, fmt.Errorf("the folder for assessments.json: %w", err)
	}
	f, err := readFolder(dir)
	if err != nil {
		return report{}, err
	}
	r, err := c.judge(ctx, f)
	if err != nil {
		return r, err
	}
	text, err := json.MarshalIndent(r, "", " ")
	if err != nil {
		return r, err
	}
	return r, os.WriteFile(filepath.Join(out, "assessments.json"), append(text, '\n'), 0o600)
}

func (c *command) judge(ctx context.Context, f folder) (report, error) {
	if c.Core {
		return judgeCore(f)
	}
	return assess(ctx, f, c.Days)
}
