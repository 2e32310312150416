package plan

import "fmt"

// Kinds of what an engine flew through, as exposures name them.
const (
	Salt         = "salt"
	Sand         = "sand"
	Ash          = "ash"
	Industrial   = "industrial"
	Agricultural = "agricultural"
)

// Wash is what follows from an environment.
type Wash int

// The washes. The zero value is none.
const (
	NoWash Wash = iota
	Rinse
	Recovery
)

// Proposal is the environment that governs a wash, which wash follows, and why.
type Proposal struct {
	Class   string // of the kinds above, "" for clean air
	Wash    Wash
	Reasons []string
}

// Propose says which wash follows from what an engine flew through since its last one. Deposits of smoke, crops and insects need cleaner,
// and a recovery wash ends with rinses, so it takes salt along; salt alone is rinsed off with water, and never with cleaner; ash is looked
// at first and then washed off; sand mostly wears, which no wash repairs (common practice, no source). Salt counts from class S1 of ISO
// 9223 on, and where a flight says salt without a survey. It reports false where nothing is recorded.
func Propose(d Data) (Proposal, bool) {
	var p Proposal
	met := map[string]int{}
	for _, e := range d.Flown {
		met[e.Kind] += e.Flights
		p.Reasons = append(p.Reasons, fmt.Sprintf("%d flights through %s since the last wash: %s", e.Flights, e.Kind, e.Wears))
	}
	salty := met[Salt] > 0 && d.Deposition == nil
	if d.Deposition != nil {
		class, ok := Salinity(*d.Deposition)
		salty = class != "S0"
		if !ok {
			class = "none of ISO 9223, above S3"
		}
		p.Reasons = append(p.Reasons, fmt.Sprintf("chloride of %.4g mg/(m2.d), class %s (ISO 9223; %s)", *d.Deposition, class, d.DepositionSource))
	}
	switch {
	case met[Ash] > 0:
		p.Class, p.Wash = Ash, Recovery
		p.Reasons = append(p.Reasons, "have the engine looked at for wear and glaze before it is washed")
	case met[Industrial] > 0:
		p.Class, p.Wash = Industrial, Recovery
	case met[Agricultural] > 0:
		p.Class, p.Wash = Agricultural, Recovery
	case salty:
		p.Class, p.Wash = Salt, Rinse
	case met[Sand] > 0:
		p.Class = Sand
	}
	return p, len(p.Reasons) > 0
}
