package analysis

import (
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"coldsection.example/services/performance/internal/regress"
)

// Outcome is what the readings say of a wash.
type Outcome int

// The outcomes.
const (
	Recovered Outcome = iota + 1
	NotRecovered
	CannotTell
)

// Recovery is the change of the deviations at a wash; negative ITT and fuel flow are recovery.
type Recovery struct {
	At            time.Time
	WorkOrder     string
	ITT, Ng, Fuel Estimate
	Before, After int
	Outcome       Outcome
	Text          string
}

// Windows of a recovery: days and readings on each side of the wash. A fitted wash effect fades as dirt comes back, so the
// window after it is short.
const (
	windowDays  = 45
	windowCount = 40
	fewest      = 8
)

// unknown is an estimate of what was not measured.
var unknown = Estimate{Half: math.MaxFloat32}

// settled is how long after a wash [days] its measurement is final: what comes later changes neither the noise nor the shifts
// that it rests on.
const settled = windowDays + 30

// aDay is one of 24 hours: times are read as civil ones nowhere in the analysis.
const aDay = 24 * time.Hour

// raw is an accepted reading as a recovery needs it.
type raw struct {
	At    time.Time
	Speed float64 // of the propeller
	D     vector
	Theta float64
}

// pending is a wash that is being measured.
type pending struct {
	Wash          Event
	Before, After []raw
}

// begin begins to measure a wash with the newest readings before it.
func (t *Tracker) begin(e Event) {
	p := pending{Wash: e, Before: make([]raw, 0, len(t.Lately)), After: make([]raw, 0, windowCount)}
	for _, r := range t.Lately {
		if !r.At.Before(e.At.Add(-windowDays * aDay)) {
			p.Before = append(p.Before, r)
		}
	}
	t.Pending = append(t.Pending, p)
}

// measure gives a reading to the washes that wait for it, and settles those whose time is over.
func (t *Tracker) measure(r raw) {
	t.late(r)
	for i := range t.Pending {
		p := &t.Pending[i]
		if len(p.After) < windowCount && r.At.Before(p.Wash.At.Add(windowDays*aDay)) {
			p.After = append(p.After, r)
		}
	}
	for len(t.Pending) > 0 && !r.At.Before(t.Pending[0].Wash.At.Add(settled*aDay)) {
		t.Measured = append(t.Measured, t.recovery(&t.Pending[0]))
		t.Pending = t.Pending[1:]
	}
}

// late keeps the newest readings, in room for twice as many, so that they are moved once in so many readings.
func (t *Tracker) late(r raw) {
	if len(t.Lately) == windowCount {
		t.Lately = t.Lately[1:]
	}
	if len(t.Lately) == cap(t.Lately) {
		if t.room == nil {
			t.room = make([]raw, 2*windowCount)
		}
		t.Lately = append(t.room[:0], t.Lately...)
	}
	t.Lately = append(t.Lately, r)
}

// recoveries are those of all washes so far.
func (t *Tracker) recoveries() []Recovery {
	out := slices.Clone(t.Measured)
	for i := range t.Pending {
		out = append(out, t.recovery(&t.Pending[i]))
	}
	return out
}

// recovery measures one wash: level, slopes and step by least squares, with intervals that know the noise of the engine and
// its memory. The readings end where a shift that dirt does not explain begins.
func (t *Tracker) recovery(p *pending) Recovery { return t.measured(p, 3) }

// outcome is recovery for who asks for the verdict and the change of ITT, on which it rests, only.
func (t *Tracker) outcome(p *pending) Recovery { return t.measured(p, 1) }

// measured measures so many of the deviations.
func (t *Tracker) measured(p *pending, deviations int) Recovery {
	e := p.Wash
	out := Recovery{At: e.At, WorkOrder: e.WorkOrder, Outcome: CannotTell}
	from, to := t.span(e.At)
	all := t.within(make([]sample, 0, len(p.Before)+len(p.After)), p.Before, from, to)
	out.Before = len(all)
	all = t.within(all, p.After, from, to)
	out.After = len(all) - out.Before
	if out.Before < fewest || out.After < fewest {
		out.ITT, out.Ng, out.Fuel = unknown, unknown, unknown
		out.Text = fmt.Sprintf("Cannot tell yet: %d readings before and %d after the wash; it takes at least %d on each side, so %d more after it.",
			out.Before, out.After, fewest, max(0, fewest-out.After))
		return out
	}
	steps := stepOf(all, out.Before, e.At, &t.Scatter, deviations)
	beside := t.beside(e.At)
	if beside != nil {
		for i, part := range vectorOf(beside.Change) {
			steps[i].Half += math.Abs(part)
		}
	}
	out.ITT, out.Ng, out.Fuel = steps[0], steps[1], steps[2]
	if beside != nil {
		out.Text = "Cannot tell: a change that dirt does not explain began about " + beside.Onset.Format(time.DateOnly) + ", too near to the wash to be told apart from it."
		return out
	}
	if why := t.confounded(e.At); why != "" {
		out.Text = "Cannot tell: " + why + " changed the indication or the engine inside the window, which can fake or hide a recovery."
		return out
	}
	out.verdict(t.noise(), t.Rules.WorthITT)
	return out
}

// within adds the readings of a span, the effect of propeller speed taken out.
func (t *Tracker) within(out []sample, all []raw, from, to time.Time) []sample {
	for _, r := range all {
		if !r.At.Before(from) && r.At.Before(to) {
			out = append(out, sample{r.At, t.Propeller.correct(r.Speed, r.D)})
		}
	}
	return out
}

// leastShare of the rise that is worth a wash is the fall of ITT that is no gain yet.
const leastShare = 0.1

// verdict says what an estimate means, worthITT [°C] being worth a wash.
func (out *Recovery) verdict(noise, worthITT float64) {
	leastGain := leastShare * worthITT
	lower, upper := out.ITT.Value-out.ITT.Half, out.ITT.Value+out.ITT.Half
	worth := -noise / 2 // a gain below half the noise of a single reading is not worth a wash
	switch {
	case upper < -leastGain:
		out.Outcome = Recovered
		out.Text = fmt.Sprintf("Recovered: the ITT deviation fell by %.1f °C, and the 90 %% interval %.1f to %.1f °C excludes a gain of less than %.1f °C.",
			-out.ITT.Value, lower, upper, leastGain)
	case lower > worth:
		out.Outcome = NotRecovered
		out.Text = fmt.Sprintf("Not recovered: the change of %+.1f °C (90 %% interval %.1f to %.1f °C) excludes a gain of %.1f °C. Look for another cause.", out.ITT.Value, lower, upper, -worth)
	default:
		more := int(math.Ceil(float64(out.After) * (math.Pow(out.ITT.Half/math.Max(math.Abs(out.ITT.Value), noise/2), 2) - 1)))
		out.Text = fmt.Sprintf("Cannot tell: the change of %+.1f °C has the 90 %% interval %.1f to %.1f °C. About %d more readings would tell.", out.ITT.Value, lower, upper, max(1, more))
	}
}

// span is the time around a wash in which nothing else is known to have changed: other washes and shifts end it, but for
// shifts so near that they can't be told from this wash.
func (t *Tracker) span(at time.Time) (from, to time.Time) {
	from, to = at.Add(-windowDays*aDay), at.Add(windowDays*aDay)
	end := func(t time.Time) {
		if t.After(at) && t.Before(to) {
			to = t
		}
		if t.Before(at) && t.After(from) {
			from = t
		}
	}
	for _, e := range t.Events {
		if e.Kind == wash {
			end(e.At)
		}
	}
	for _, shift := range t.Shifts {
		if !shift.Dirt && shift.Onset.Sub(at).Abs() >= besideWash {
			end(shift.Onset)
		}
	}
	return from, to
}

// beside is the newest change that dirt does not explain, that raised ITT, which no wash does, and that began so near to a wash that
// its part and the wash's can't be told apart.
func (t *Tracker) beside(at time.Time) *Shift {
	for i := len(t.Shifts) - 1; i >= 0; i-- {
		if s := &t.Shifts[i]; !s.Dirt && s.Change.ITT > 0 && s.Onset.Sub(at).Abs() < besideWash {
			return s
		}
	}
	return nil
}

func (t *Tracker) confounded(at time.Time) string {
	for _, e := range t.Events {
		known := e.Kind == "sensor_work" || e.Kind == "hot_section" || e.Kind == "overhaul"
		if known && e.At.Sub(at).Abs() < windowDays*aDay {
			return e.Kind + " on " + e.At.Format("2006-01-02")
		}
	}
	return ""
}

// remember keeps an event for as long as a wash may be measured beside it.
func (t *Tracker) remember(e Event) {
	t.Events = slices.DeleteFunc(t.Events, func(old Event) bool { return old.At.Before(e.At.Add(-(settled + 2*windowDays) * aDay)) })
	t.Events = append(t.Events, e)
}

// besideWash is how near to a wash a shift is taken for a part of the wash's effect.
const besideWash = 7 * aDay

// ownSlope is how many readings each side needs for a slope of its own: dirt comes back faster on a clean engine.
const ownSlope = 20

// sample is a reading as a recovery uses it.
type sample struct {
	at time.Time
	d  vector
}

// stepOf fits y = a + b·t + s·[after] + c·t·[after], t being counted from the wash at a time, to each of the first deviations and
// returns s with the half width of its 90 % interval. With few readings on one side both share a slope. The variance is that of the residuals
// together with what is known of the engine, which counts like priorCounts more of them.
func stepOf(all []sample, before int, at time.Time, noise *scatter, deviations int) [3]Estimate {
	own := before >= ownSlope && len(all)-before >= ownSlope
	columns := 3
	if own {
		columns++
	}
	x, cells := make([][]float64, len(all)), make([]float64, columns*len(all))
	for i, s := range all {
		after := 0.0
		if i >= before {
			after = 1
		}
		t := s.at.Sub(at).Hours() / hoursPerDay / windowDays
		x[i] = cells[i*columns : (i+1)*columns]
		if x[i][0], x[i][1], x[i][2] = 1, t, after; own {
			x[i][3] = t * after
		}
	}
	out := [3]Estimate{unknown, unknown, unknown}
	y, related := make([]float64, len(all)), make([]float64, lags-1)
	df := float64(len(all)-len(x[0])) + priorCounts
	quantile := t90(df)
	design, err := regress.NewDesign(x)
	if err != nil {
		return out
	}
	for j := range deviations {
		for i, s := range all {
			y[i] = s.d[j]
		}
		for k := range related {
			related[k] = noise.Related[k][j]
		}
		fit, err := design.Fit(y)
		if err != nil {
			return out
		}
		variance := (fit.RSS + priorCounts*noise.Sigma[j]*noise.Sigma[j]) / df
		se, err := fit.Correlated(variance, related)
		if err != nil {
			return out
		}
		step := fit.Coefficients[2]
		out[j] = Estimate{step, quantile * math.Hypot(se[2], conditionError*step)}
	}
	return out
}

const priorCounts = 30.0

// conditionError is the relative error of a step by the conditions flown, where dirt shows more or less than at the usual one,
// and by dirt that does not come straight. Common practice, no source.
const conditionError = 0.1

// t90 is the two-sided 90 % quantile of Student's t.
func t90(df float64) float64 {
	if table := smallT90(); df >= 1 && df < float64(len(table)) && df == math.Trunc(df) {
		return table[int(df)]
	}
	return quantileT90(df)
}

func quantileT90(df float64) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: math.Max(1, df)}.Quantile(0.95)
}

// smallT90 are the quantiles of whole degrees of freedom, as many as a recovery can have.
var smallT90 = sync.OnceValue(func() []float64 {
	table := make([]float64, 2*windowCount+priorCounts)
	for df := range table {
		table[df] = quantileT90(float64(df))
	}
	return table
})
