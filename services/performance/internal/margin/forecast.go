package margin

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"coldsection.example/services/performance/internal/regress"
)

// Sample is the deviation of one reading.
type Sample struct {
	At    time.Time
	Hours float64 // of operation
	ITT   float64 // °C
}

// Crossing is when a deviation reaches a limit.
type Crossing struct {
	Foreseen      bool
	Reached       bool             // it is there now
	P10, P50, P90 float64          // hours of operation from the newest sample, with 10, 50 and 90 % chance to have been reached
	Open          bool             // the rise may level off: less than 90 % chance at P90, which is as far as was looked
	Slope         regress.Interval // °C per 100 h, 90 %
	Memory        float64          // autocorrelation of neighbours that the intervals allow for
	Samples       int
	Reason        string // why nothing is foreseen, or what it assumes
}

const (
	fewest        = 10  // samples that a forecast needs
	confidence    = 0.8 // between 10 and 90 % chance
	largestMemory = 0.9
)

// Forecast fits flattening and steepening rises, and the straight one between them, to the deviations since the last change of the
// engine and says when they meet a limit, weighed by their fit, their variance widened for autocorrelation, and the middle no further
// ahead than the samples reach back. Where the line alone is left this is Fieller's interval.
func Forecast(samples []Sample, limit float64) Crossing {
	s := slices.Clone(samples)
	slices.SortFunc(s, func(a, b Sample) int { return cmp.Or(cmp.Compare(a.Hours, b.Hours), a.At.Compare(b.At)) })
	out := Crossing{Samples: len(s)}
	if len(s) < fewest {
		out.Reason = fmt.Sprintf("No forecast: %d readings since the last change of the engine; it takes %d.", len(s), fewest)
		return out
	}
	x, y := make([]float64, len(s)), make([]float64, len(s))
	for i, v := range s {
		x[i], y[i] = v.Hours, v.ITT
	}
	line, err := Wide(x, y)
	if err != nil {
		out.Reason = "No forecast: the readings make no line; " + err.Error() + "."
		return out
	}
	span, u := x[len(x)-1]-x[0], make([]float64, len(x))
	for i := range u {
		u[i] = (x[i] - x[0]) / span
	}
	fitted := fitShapes(u, y)
	out.Memory = fitted.memory
	if out.Slope, err = line.SlopeInterval(0.9); err != nil {
		out.Reason = "No forecast: " + err.Error() + "."
		return out
	}
	out.Slope = regress.Interval{Estimate: 100 * out.Slope.Estimate, Low: 100 * out.Slope.Low, High: 100 * out.Slope.High}
	if level := fitted.level(); level >= limit {
		out.Foreseen, out.Reached, out.Reason = true, true, fmt.Sprintf("The deviation of %+.1f °C has reached the %+.1f °C that the limit leaves.", level, limit)
		return out
	}
	_, err = line.Crossing(limit, confidence, false)
	out.place(&fitted, err, limit, span)
	return out
}

// Wide is the least-squares line whose intervals are widened for the autocorrelation of its noise; places in order of time.
func Wide(x, y []float64) (*regress.Line, error) {
	line, err := regress.FitLine(x, y)
	if err != nil {
		return nil, err
	}
	phi := math.Min(largestMemory, math.Max(0, line.LagOne))
	return line.Widen((1 + phi) / (1 - phi))
}

// place says when, or why there is no saying; err is that of the straight line.
func (c *Crossing) place(fitted *shapes, err error, limit, span float64) {
	early, soon := fitted.when(limit, (1-confidence)/2)
	middle, known := fitted.when(limit, 0.5)
	late, certain := fitted.when(limit, (1+confidence)/2)
	at := func(u float64) float64 { return (u - 1) * span }
	switch {
	case errors.Is(err, regress.ErrNoDate):
		c.Reason = fmt.Sprintf("No crossing foreseen: the slope of %+.2f °C per 100 h has the 90 %% interval %+.2f to %+.2f and does not certainly rise.",
			c.Slope.Estimate, c.Slope.Low, c.Slope.High)
	case err != nil:
		c.Reason = "No forecast: " + err.Error() + "."
	case !known || at(middle) > span:
		c.Reason = fmt.Sprintf("No crossing foreseen in the next %.0f h, and the %.0f h of readings carry a forecast no further", span, span) +
			sooner(soon, at(early), span) + "; " + fitted.words() + "."
	default:
		c.Foreseen, c.P10, c.P50, c.P90, c.Open = true, at(early), at(middle), at(late), !certain
		c.Reason = fmt.Sprintf("A rise of %+.2f °C per 100 h on average through %d readings; %s; intervals widened for an autocorrelation of %.2f, "+
			"as if flown and cared for as since the last change.", c.Slope.Estimate, c.Samples, fitted.words(), c.Memory)
		if c.Open {
			c.Reason += fmt.Sprintf(" The rise may level off before the limit: there is no latest hour, it is beyond %.0f h.", c.P90)
		}
	}
}

// sooner warns of a limit that may be near although no forecast is given.
func sooner(may bool, hours, span float64) string {
	if !may || hours > span {
		return ""
	}
	return fmt.Sprintf(", but with a chance of one in ten it is reached within %.0f h", hours)
}

// Use is how much an engine runs, in hours a day: 10, 50 and 90 % of the fortnights.
type Use struct{ Low, Middle, High float64 }

const (
	useDays   = 90
	fortnight = 14
)

// UseOf is the use of the last 90 days before the newest sample. ok is false with less than two fortnights of hours.
func UseOf(samples []Sample) (u Use, ok bool) {
	s := slices.Clone(samples)
	s = slices.DeleteFunc(s, func(v Sample) bool { return v.Hours <= 0 })
	slices.SortFunc(s, func(a, b Sample) int { return a.At.Compare(b.At) })
	if len(s) == 0 {
		return u, false
	}
	newest := s[len(s)-1].At
	s = slices.DeleteFunc(s, func(v Sample) bool { return newest.Sub(v.At).Hours() > useDays*24 })
	var rates []float64
	for i, j := 0, 0; j < len(s); j++ {
		if days := s[j].At.Sub(s[i].At).Hours() / 24; days >= fortnight {
			rates = append(rates, math.Max(0, (s[j].Hours-s[i].Hours)/days))
			i = j
		}
	}
	if len(rates) < 2 {
		return u, false
	}
	slices.Sort(rates)
	at := func(p float64) float64 { return rates[int(math.Round(p*float64(len(rates)-1)))] }
	u = Use{at(0.1), at(0.5), at(0.9)}
	return u, u.Low > 0
}

// Dates are the earliest, the middle and the latest day of a crossing: the early one as if flown much, the late one as if
// flown little. The latest means nothing where the range is open.
func (c *Crossing) Dates(from time.Time, u Use) (earliest, middle, latest time.Time) {
	after := func(hours, perDay float64) time.Time {
		return from.Add(time.Duration(math.Min(36500, hours/perDay) * 24 * float64(time.Hour)))
	}
	return after(c.P10, u.High), after(c.P50, u.Middle), after(c.P90, u.Low)
}
