// Command fleet judges the suite by a fleet whose faults are known: it imports a fleet folder through the public API into a
// fresh suite, writes what the suite says, and scores it when the folder has the truth.
//
// A fleet folder holds baseline.csv (what a clean engine reads), readings.csv (in the order of their arrival), events.csv
// (washes) and, for a score, truth.json. The readings go in as time passes, so the suite can't look ahead.
package main

import (
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
	Dir  string `arg:"" type:"existingdir" help:"The fleet folder."`
	Out  string `help:"The folder for assessments.json; by default into the fleet folder."`
	Days int    `default:"30" help:"How many days of readings each import holds."`
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
	out := c.Out
	if out == "" {
		out = c.Dir
	}
	if err := os.MkdirAll(out, 0o700); err != nil {
		return fmt.Errorf("the folder for assessments.json: %w", err)
	}
	f, err := readFolder(c.Dir)
	if err != nil {
		return err
	}
	report, err := assess(ctx, f, c.Days)
	if err != nil {
		return err
	}
	text, err := json.MarshalIndent(report, "", " ")
	if err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(out, "assessments.json"), append(text, '\n'), 0o600); err != nil {
		return err
	}
	known, err := readTruth(filepath.Join(c.Dir, "truth.json"))
	if errors.Is(err, fs.ErrNotExist) {
		_, err = fmt.Fprintln(w, "There is no truth.json, so there is no score.")
		return err
	}
	if err != nil {
		return err
	}
	return score(report, known).writeTo(w)
}
