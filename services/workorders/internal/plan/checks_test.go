package plan

import (
	"strings"
	"testing"
)

// What is overdue, set too high or half blocked stops the plan, and the refusal says what to do.
func TestEquipmentStopsThePlan(t *testing.T) {
	good := func() Data {
		d := basis()
		d.Day = "2026-03-14"
		d.Container = Container{Allowed: 400, ReliefSet: 380, TestDue: "2026-03-14", ReliefDue: "2026-12-31"}
		d.Ring = Ring{Holes: 4, Diameter: 1.06, Coefficient: 0.62, TestDue: "2026-06-30"}
		return d
	}
	if p := Compute(good(), false, new(20.0), "battery"); len(p.Refusals) != 0 {
		t.Fatalf("good data: %v", p.Refusals)
	}
	for words, change := range map[string]func(d *Data){
		"test of the container was due on 2026-03-13":       func(d *Data) { d.Container.TestDue = "2026-03-13" },
		"test of the relief valve was due on 2026-01-01":    func(d *Data) { d.Container.ReliefDue = "2026-01-01" },
		"catch test of the ring was due on 2026-03-13":      func(d *Data) { d.Ring.TestDue = "2026-03-13" },
		"Use a container for a higher pressure":             func(d *Data) { d.Container.ReliefSet = 250 },
		"Clean or change the ring, catch again":             func(d *Data) { d.Ring.Holes = 8 },
		"have it set to 400 kPa at most":                    func(d *Data) { d.Container.ReliefSet = 410 },
		`Power source "external" makes it possible`:         onlyExternal,
		`"external" from -10 °C to 16 °C`:                   func(d *Data) { outOfBand(d) },
		"it needs runs longer than 30 s. Use another power": func(d *Data) { d.OpenDelay = 30 },
	} {
		d := good()
		change(&d)
		p := Compute(d, false, new(20.0), "battery")
		if !strings.Contains(strings.ToLower(strings.Join(p.Refusals, " ")), strings.ToLower(words)) {
			t.Errorf("%q: %v", words, p.Refusals)
		}
	}
}

// onlyExternal leaves a battery that can't wash beside a ground unit that can.
func onlyExternal(d *Data) {
	d.OpenDelay = 10
	d.Profiles = []Profile{{ID: "short", PowerSource: "battery", Runs: []Duty{{8, 60}}}, {ID: "long", PowerSource: "external", Runs: []Duty{{60, 60}}}}
}

// outOfBand leaves one profile, for colder air.
func outOfBand(d *Data) {
	d.Profiles = []Profile{{ID: "cold", PowerSource: "external", MinOAT: new(-10.0), MaxOAT: new(16.0), Runs: []Duty{{60, 60}}}}
}

// A profile is chosen by power source and band: above 16 °C a list of its own, as a published helicopter manual has it.
func TestTheBandChoosesTheProfile(t *testing.T) {
	d := basis()
	warm, cool := Profile{ID: "warm", PowerSource: "battery", MinOAT: new(16.1), Runs: []Duty{{30, 60}}}, Profile{ID: "cool", PowerSource: "battery", MaxOAT: new(16.0), Runs: []Duty{{30, 180}}}
	d.Profiles = []Profile{warm, cool}
	for oat, want := range map[float64]string{20: "warm", 16: "cool", -5: "cool"} {
		d.Antifreeze = []Row{{VolumePercent: 40, FreezingC: -30}}
		if p := Compute(d, false, &oat, "battery"); p.Profile.ID != want || len(p.Refusals) != 0 {
			t.Errorf("at %v °C: %s %v", oat, p.Profile.ID, p.Refusals)
		}
	}
}

// The class of the air stands among the numbers; above S3 there is none and the plan says so.
func TestTheAirHasItsClass(t *testing.T) {
	for amount, want := range map[float64]string{61: "class S2", 1501: "class none: above S3"} {
		d := basis()
		d.Deposition, d.DepositionSource = &amount, "survey"
		found := false
		for _, n := range Compute(d, false, new(20.0), "battery").Numbers {
			found = found || strings.HasPrefix(n.Formula, want) && strings.Contains(n.Source, "survey")
		}
		if !found {
			t.Errorf("%v: no %q", amount, want)
		}
	}
	if class, ok := Salinity(-1); ok {
		t.Errorf("-1 is %s", class)
	}
}
