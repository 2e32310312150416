package margin

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"coldsection.example/services/performance/internal/baseline"
	"coldsection.example/services/platform/fault"
)

// Verdict is what a check says.
type Verdict int

// The verdicts. The zero value is the careful one.
const (
	CannotTell Verdict = iota
	Pass
	Fail
)

// Outcome is a verdict with its reasons.
type Outcome struct {
	Verdict Verdict
	Reasons []string
	// More is about how many more readings would tell; 0 when none would, or none are needed.
	More int
}

// Against judges a margin by what is to be kept: it passes when the whole interval keeps the reserve, and fails when none of
// it does.
func (m Margin) Against(reserve float64) (v Verdict, more int) {
	switch gap := m.Value - reserve; {
	case m.Lower() >= reserve:
		return Pass, 0
	case m.Upper() < reserve:
		return Fail, 0
	case math.Abs(gap) <= m.fixed:
		return CannotTell, 0 // the baseline itself is not known well enough
	default:
		needed := m.scatter * m.scatter * float64(m.readings) / (gap*gap - m.fixed*m.fixed)
		return CannotTell, max(1, int(math.Min(1e6, math.Ceil(needed)))-m.readings)
	}
}

// Judge judges a standing: the worse of its margins governs.
func (s Standing) Judge(reserve float64) Outcome {
	v, more := s.ITT.Against(reserve)
	out := Outcome{Verdict: v, More: more, Reasons: []string{fmt.Sprintf("ITT: %s; to be kept: %.1f °C.", s.ITT.Words("°C"), reserve)}}
	if s.Ng != nil {
		w, also := s.Ng.Against(0)
		out.Reasons = append(out.Reasons, fmt.Sprintf("Ng: %s.", s.Ng.Words("%")))
		if w == Fail || w == CannotTell && v == Pass {
			out.Verdict, out.More = w, also
		}
	}
	if out.Verdict != CannotTell {
		return out
	}
	if out.More > 0 {
		out.Reasons = append(out.Reasons, fmt.Sprintf("Cannot tell: the interval spans what is to be kept. About %d more readings would tell.", out.More))
	} else {
		out.Reasons = append(out.Reasons, "Cannot tell: the difference lies within the scatter of the baseline, so that no number of readings tells.")
	}
	return out
}

// Check is a power check on the ground: a few stable readings at high power.
type Check struct {
	Readings []baseline.Point
	Bleed    bool    // bleed air or anti-ice was on
	MinShare float64 // of the reference's referred power that a check needs, such as 0.7
	Noise    Noise   // of one reading, least
}

// UsualMinShare is the share of the reference's referred power under which a check says nothing. Common practice, no source.
const UsualMinShare = 0.7

// MaxReadings is the most readings of a check.
const MaxReadings = 50

// Run works a check out. What makes a check say nothing is an outcome with its reason and no standing; bad data are errors.
// Reasons: those of At, CHECK_INVALID.
func (c *Check) Run(model *baseline.Model, r Reference) (*Standing, Outcome, error) {
	if len(c.Readings) == 0 || len(c.Readings) > MaxReadings {
		return nil, Outcome{}, fault.Invalid("readings", "CHECK_INVALID", "A power check has 1 to %d readings, not %d.", MaxReadings, len(c.Readings))
	}
	if err := r.check(model); err != nil {
		return nil, Outcome{}, err
	}
	state, why, err := c.state(model, r)
	if err != nil {
		return nil, Outcome{}, err
	}
	if len(why) > 0 {
		return nil, Outcome{Reasons: []string{"Cannot tell: " + strings.Join(why, "; ") + "."}}, nil
	}
	s, err := At(model, r, state)
	if err != nil {
		return nil, Outcome{}, err
	}
	return &s, s.Judge(r.Reserve), nil
}

// state is the mean of the deviations, or why they say nothing.
func (c *Check) state(model *baseline.Model, r Reference) (s State, why []string, err error) {
	if c.Bleed {
		why = append(why, "bleed air or anti-ice was on, which the baseline does not have")
	}
	reference, err := model.Expect(r.Point)
	if err != nil {
		return s, nil, fault.Precondition("REFERENCE_OUTSIDE_BASELINE", "The baseline says nothing at the reference condition: %s.", err)
	}
	var itt, ng []float64
	for i, p := range c.Readings {
		x, err := model.Expect(p)
		if err != nil {
			return s, nil, fault.Invalid(fmt.Sprintf("readings[%d]", i), "CHECK_INVALID", "Reading %d can't be used: %s. Correct it.", i+1, err)
		}
		if outside := model.Outside(p); outside != "" {
			why = append(why, fmt.Sprintf("reading %d is not covered by the baseline: %s", i+1, outside))
		}
		if share := x.ReferredPower / reference.ReferredPower; share < c.MinShare {
			why = append(why, fmt.Sprintf("reading %d was taken at %.0f %% of the reference power; a check needs %.0f %%", i+1, 100*share, 100*c.MinShare))
		}
		d := x.Deviation(p)
		itt, ng = append(itt, d.ITT), append(ng, d.Ng)
		s.Theta += x.Condition.Theta / float64(len(c.Readings))
	}
	s.ITT, s.Ng, s.Readings = mean(itt, c.Noise.ITT), mean(ng, c.Noise.Ng), len(itt)
	return s, why, nil
}

// mean is the mean with its interval: from the scatter of the readings by Student's t, and never smaller than from the noise
// that is known.
func mean(x []float64, noise float64) Deviation {
	n := float64(len(x))
	sum, squares := 0.0, 0.0
	for _, v := range x {
		sum += v
	}
	for _, v := range x {
		squares += (v - sum/n) * (v - sum/n)
	}
	half := z90 * noise / math.Sqrt(n)
	if len(x) > 2 {
		t := distuv.StudentsT{Sigma: 1, Nu: n - 1}.Quantile(0.95)
		half = math.Max(half, t*math.Sqrt(squares/(n-1)/n))
	}
	return Deviation{sum / n, half}
}
