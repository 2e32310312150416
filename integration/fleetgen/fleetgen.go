// Package fleetgen makes fleets to judge the performance service on: a folder with the clean engine's table
// (baseline.csv), months of readings of several engines as a flight log has them (readings.csv), their washes (events.csv)
// and what was really the matter (truth.json).
//
// The engines are invented and follow the suite's own engine model, each fleet one of several designs and maps; scatter is
// autocorrelated, and rows come twice, late or logged wrong. The same configuration makes the same fleet. For demonstration
// only: the sizes of noise, dirt and faults are assumptions, common practice without a source.
package fleetgen

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"coldsection.example/services/performance/demoengine"
)

// Fault is what happens to an engine.
type Fault string

// The faults, and the one that is none. Every engine gets dirty and is washed besides.
const (
	None           Fault = "none"
	Fouling        Fault = "fouling"          // dirt grows three times as fast from the onset
	FoulingFast    Fault = "fouling_fast"     // seven times
	HotSection     Fault = "hot_section"      // the gas-generator turbine wears over four months
	BleedLeak      Fault = "bleed_leak"       // a step
	ITTBias        Fault = "itt_bias"         // a step, either way
	TorqueBias     Fault = "torque_bias"      // a step, either way
	FoulingThenHot Fault = "fouling_then_hot" // fouling, and four months later the hot section
)

// Faults are all of them.
var Faults = []Fault{BleedLeak, FoulingFast, Fouling, None, ITTBias, TorqueBias, HotSection, FoulingThenHot}

// Config is a fleet's configuration; the zero value of a field takes the default beside it.
type Config struct {
	Seed   uint64
	Engine int       // which of demoengine.Engines, 0
	Noise  float64   // scatter relative to the usual, 1; negative is none at all
	Days   int       // 540
	Faults []Fault   // one engine each, Faults
	Start  time.Time // 1 March 2025
	Clean  bool      // no mistakes, duplicates or late rows
}

func (c *Config) complete() error {
	if c.Noise == 0 {
		c.Noise = 1
	}
	c.Noise = max(c.Noise, 0)
	if c.Days == 0 {
		c.Days = 540
	}
	if c.Start.IsZero() {
		c.Start = time.Date(2025, 3, 1, 0, 0, 0, 0, time.UTC)
	}
	if c.Faults == nil {
		c.Faults = Faults
	}
	for _, f := range c.Faults {
		if !slices.Contains(Faults, f) {
			return fmt.Errorf("there is no fault %q; the faults are %v", f, Faults)
		}
	}
	if c.Engine < 0 || c.Engine >= len(demoengine.Engines()) {
		return fmt.Errorf("there is no engine %d; give 0 to %d", c.Engine, len(demoengine.Engines())-1)
	}
	if c.Days < 60 || c.Days > 5000 || !(c.Noise <= 10) {
		return fmt.Errorf("a fleet of %d days with %g times the noise is not made; give 60 to 5,000 days and at most 10", c.Days, c.Noise)
	}
	return nil
}

// Fleet is a generated fleet.
type Fleet struct {
	Baseline []Row
	Readings []Row // as they arrive: mostly in order
	Truth    Truth
}

// Row is a reading, or a line of the baseline, in the units of a flight log.
type Row struct {
	Serial   string
	Time     time.Time
	Altitude float64 // ft
	OAT      float64 // °C
	Airspeed float64 // kt, calibrated
	Np       float64 // rpm
	Torque   float64 // lbf·ft
	Ng       float64 // %; 0 was not written down
	ITT      float64 // °C
	Fuel     float64 // lb/h
	Hours    float64 // engine hours
}

// Truth is what was really the matter.
type Truth struct {
	Engines  []EngineTruth `json:"engines"`
	Mistakes []Mistake     `json:"mistakes"`
}

// EngineTruth is the truth about one engine. Onset is when the fault begins (of fouling_then_hot, the hot section's wear); it is
// a date even where nothing happened and means nothing then.
type EngineTruth struct {
	Serial       string  `json:"serial"`
	Fault        Fault   `json:"fault"`
	Onset        string  `json:"onset"`
	Washes       []Wash  `json:"washes"`
	FinalFouling float64 `json:"final_fouling"`
	Params       Params  `json:"params"`
}

// Params are the sizes drawn for an engine; only those of its own fault were used.
type Params struct {
	Wear   float64 `json:"wear"`   // loss of the gas-generator turbine's efficiency, a share
	Leak   float64 `json:"leak"`   // share of the compressor's air
	Bias   float64 `json:"bias"`   // of ITT, °C
	Torque float64 `json:"tq"`     // of torque, a share
	Rate   float64 `json:"rate"`   // of fouling before the onset, per hour
	Ratio  float64 `json:"ratio"`  // loss of the compressor's flow per loss of its efficiency
	Offset float64 `json:"offset"` // of the new engine's ITT, °C, of which part is indication
}

// Wash is a wash and what it really recovered, at 10,000 ft on a standard day, 160 kt and 80 % power.
type Wash struct {
	Time       time.Time `json:"time"`
	Hours      float64   `json:"hours"`
	FoulBefore float64   `json:"foul_before"`
	FoulAfter  float64   `json:"foul_after"`
	ITT        float64   `json:"ditt_c"`
	Ng         float64   `json:"dng_pct"`
	Fuel       float64   `json:"dwf_pct"`
}

// Mistake is a row that was logged wrong.
type Mistake struct {
	Serial string `json:"serial"`
	Time   string `json:"time"`
	Kind   string `json:"kind"`
}

// propeller is the speed [rpm] that the baseline is made at.
const propeller = 1700

// Make makes a fleet. A configuration that means nothing is an error.
func Make(c Config) (*Fleet, error) {
	if err := c.complete(); err != nil {
		return nil, err
	}
	data := demoengine.Engines()[c.Engine]
	data.PropellerSpeed = propeller
	engine, err := demoengine.New(data)
	if err != nil {
		return nil, err
	}
	fleet := &Fleet{}
	if fleet.Baseline, err = baseline(engine); err != nil {
		return nil, err
	}
	for i, fault := range c.Faults {
		h := newHistory(engine, c, fault, i)
		if err := h.live(); err != nil {
			return nil, fmt.Errorf("%s: %w", h.truth.Serial, err)
		}
		fleet.Readings = append(fleet.Readings, h.rows...)
		fleet.Truth.Engines = append(fleet.Truth.Engines, h.truth)
		fleet.Truth.Mistakes = append(fleet.Truth.Mistakes, h.mistakes...)
	}
	slices.SortStableFunc(fleet.Readings, func(a, b Row) int { return a.Time.Compare(b.Time) })
	if !c.Clean {
		fleet.Readings = misdeliver(fleet.Readings, rand.New(rand.NewPCG(c.Seed, 999)))
	}
	return fleet, nil
}

// misdeliver sends some rows twice and some late.
func misdeliver(rows []Row, random *rand.Rand) []Row {
	const twice, late = 0.004, 0.0025
	var out []Row
	waiting := map[int]Row{} // by the place before which it arrives
	for i, r := range rows {
		if w, ok := waiting[i]; ok {
			out = append(out, w)
		}
		at := i + 20 + random.IntN(180)
		if _, taken := waiting[at]; random.Float64() < late && at < len(rows) && !taken {
			waiting[at] = r
			continue
		}
		out = append(out, r)
		if random.Float64() < twice {
			out = append(out, r)
		}
	}
	return out
}
