package main

import (
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"coldsection.example/integration/fleetgen"
)

// The goals on fleets of all four invented engines in usual, little and much scatter. The seeds are 301 to 312, on which
// nothing was developed.
func TestTheAnalysisMeetsItsGoals(t *testing.T) {
	total := &result{byKind: map[string]*share{}}
	for i := range 12 {
		dir := filepath.Join(t.TempDir(), strconv.Itoa(i))
		fleet, err := fleetgen.Make(fleetgen.Config{Seed: uint64(301 + i), Engine: i % 4, Noise: []float64{1, 0.7, 1.5}[i/4]})
		if err != nil {
			t.Fatal(err)
		}
		if err := fleet.Write(dir); err != nil {
			t.Fatal(err)
		}
		f, err := readFolder(dir)
		if err != nil {
			t.Fatal(err)
		}
		said, err := judgeCore(f)
		if err != nil {
			t.Fatal(err)
		}
		known, err := readTruth(filepath.Join(dir, "truth.json"))
		if err != nil {
			t.Fatal(err)
		}
		total.add(said, known)
	}
	if 5*total.falseAdvices > total.healthy {
		t.Errorf("%d false advices on %d healthy engines", total.falseAdvices, total.healthy)
	}
	t.Logf("%s", strings.Join(total.goals(), "\n"))
	within := func(what string, s share, low, high float64) {
		if got := float64(s.hit) / float64(s.of); s.of == 0 || got < low || got > high {
			t.Errorf("%s: %v, not %g to %g", what, s, low, high)
		}
	}
	within("steps flagged", total.steps, 0.97, 1) // of 180 on seeds that nobody had looked at 176 were
	within("slow ramps flagged", total.ramps, 1, 1)
	within("right or cannot tell", total.honest, 0.85, 1)
	within("firmly wrong", total.wrong, 0, 0.05)
	within("firmly wrong at last", total.lastWrong, 0, 0.05)
	within("named at last", total.lastNamed, 0.35, 1)
	within("fouling advised", total.advised, 0.6, 1)
	within("ITT covered", total.itt, 0.85, 0.95)
	within("Ng covered", total.ng, 0.85, 0.95)
	within("fuel flow covered", total.fuel, 0.85, 0.95)
	within("mistakes caught", total.caught, 0.9, 1)
	within("good readings rejected", total.rejected, 0, 0.01)
}

// The analysis alone says what the suite says.
func TestTheCoreSaysWhatTheSuiteSays(t *testing.T) {
	dir := t.TempDir()
	invent(t, dir)
	f, err := readFolder(dir)
	if err != nil {
		t.Fatal(err)
	}
	core, err := judgeCore(f)
	if err != nil {
		t.Fatal(err)
	}
	suite, err := assess(t.Context(), f, 25)
	if err != nil {
		t.Fatal(err)
	}
	if len(core.Held) != len(suite.Held) || len(core.Engines) != 1 || *core.Engines[0].Recoveries[0].ITT != *suite.Engines[0].Recoveries[0].ITT {
		t.Errorf("the core says %+v, the suite %+v", core, suite)
	}
}
