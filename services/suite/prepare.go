package suite

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
)

// initCommand makes a new suite without serving it.
type initCommand struct {
	settings
	telling
}

// Run makes it.
func (c *initCommand) Run(e *environment) error {
	if entries, err := os.ReadDir(c.State); err == nil && len(entries) > 0 {
		return fmt.Errorf("%s is not empty; a suite that is there is brought to this version by migrate", c.State)
	}
	if err := opened(e, c.settings); err != nil {
		return err
	}
	return c.tell(e.out, []string{fmt.Sprintf("Made in %s. coldsection serve says how the first administrator comes in.", c.State)},
		[]string{"folder", "version"}, []string{c.State, version()})
}

// migrateCommand brings the databases of a suite to this version.
type migrateCommand struct {
	settings
	telling
}

// Run does it.
func (c *migrateCommand) Run(e *environment) error {
	if _, err := os.Stat(c.State); errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("there is no suite in %s; name its state folder with --state, or make a new one with init", c.State)
	}
	if err := opened(e, c.settings); err != nil {
		return err
	}
	return c.tell(e.out, []string{fmt.Sprintf("The databases of %s are of this version.", c.State)}, []string{"folder", "version"}, []string{c.State, version()})
}

// opened opens everything that a suite has, as serve does, on addresses that nobody knows, and ends it again.
func opened(e *environment, s settings) error {
	serve := serveCommand{settings: s}
	cfg := serve.config()
	cfg.HTTP, cfg.GRPC, cfg.Admin, cfg.Listen = "127.0.0.1:0", "127.0.0.1:0", "", nil
	running, err := Start(e.ctx, cfg, slog.New(slog.NewJSONHandler(e.problems, &slog.HandlerOptions{Level: slog.LevelWarn})))
	if err != nil {
		return err
	}
	running.Stop()
	return nil
}

// seedCommand tells the demonstration into a folder that stays.
type seedCommand struct {
	Into string `arg:"" help:"A new folder."`
}

// Run tells it.
func (c *seedCommand) Run(e *environment) error {
	if entries, err := os.ReadDir(c.Into); err == nil && len(entries) > 0 {
		return fmt.Errorf("%s is not empty; name a new folder, since invented data don't belong among others", c.Into)
	}
	demo := demoCommand{Exit: true, State: c.Into, HTTP: "127.0.0.1:0", GRPC: "127.0.0.1:0"}
	if err := demo.run(e.ctx, e.out, e.problems); err != nil {
		return err
	}
	_, err := fmt.Fprintf(e.out, "\nServe it with: coldsection serve --state %s --clock-file %s\n", c.Into, filepath.Join(c.Into, "clock"))
	return err
}
