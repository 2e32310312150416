// Command generate writes a generated fleet into a folder:
//
//	go run ./integration/fleetgen/generate --seed 7 --noise 1.5 --engine 2 --faults none,bleed_leak FOLDER
package main

import (
	"fmt"
	"os"

	"github.com/alecthomas/kong"

	"coldsection.example/integration/fleetgen"
)

type command struct {
	Folder string `arg:"" help:"Where to write baseline.csv, readings.csv, events.csv and truth.json."`

	Seed   uint64           `help:"The same seed makes the same fleet." default:"1"`
	Engine int              `help:"Which of the invented engines, from 0." default:"0"`
	Noise  float64          `help:"Scatter relative to the usual." default:"1"`
	Days   int              `help:"How long." default:"540"`
	Faults []fleetgen.Fault `help:"One engine for each; all kinds when not given."`
	Clean  bool             `help:"Without mistakes, duplicates and late rows."`
}

// Run makes and writes the fleet.
func (c *command) Run() error {
	fleet, err := fleetgen.Make(fleetgen.Config{Seed: c.Seed, Engine: c.Engine, Noise: c.Noise, Days: c.Days, Faults: c.Faults, Clean: c.Clean})
	if err != nil {
		return err
	}
	if err := fleet.Write(c.Folder); err != nil {
		return err
	}
	_, err = fmt.Fprintf(os.Stdout, "%d readings of %d engines, %d of them logged wrong, in %s; invented, for demonstration only\n",
		len(fleet.Readings), len(fleet.Truth.Engines), len(fleet.Truth.Mistakes), c.Folder)
	return err
}

func main() {
	var c command
	call := kong.Parse(&c, kong.Name("generate"), kong.Description("Makes a fleet of invented engines to judge analyses on."))
	call.FatalIfErrorf(call.Run())
}
