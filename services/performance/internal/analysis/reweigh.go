package analysis

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// Step is how the causes of a shift were weighed at one time.
type Step struct {
	At       time.Time
	Evidence string // what was learned
	Named    bool
	Causes   []Cause // without their evidence
}

// watch is the newest shift while more is learned of it.
type watch struct {
	On          bool
	Index       int // among Shifts
	Fitted      bool
	Start, From int     // of its fit, in numbers of readings
	Told        int     // the reading at which it was told
	Size        float64 // of the change of ITT by the newest fit [°C]
	Answered    int     // the wash cycle whose wash was weighed

	fit  change // the newest, of which is not yet said what speaks for each cause
	mean matrix // the noise of a mean then
}

const (
	watchCount = 120  // readings after its detection for which a shift is weighed again
	stepWorth  = 0.05 // change of a probability that is told
	mostSteps  = 20   // of one shift
	mostShifts = 40   // that are kept, the newest: some twenty years of an engine, less of one whose indications nobody repairs
)

// How much likelier or less likely a wash's response makes dirt: dirt comes off in most washes, and what is not dirt does not,
// but there is always some usual dirt that does. A wash that certainly took less than littleOff of the change off did nothing.
// Common practice, no source.
const (
	cameOff, stayedOn = 2, 0.2
	littleOff         = 0.35
)

// told keeps a shift and begins to watch it; one that was not found by a fit is weighed again by responses to washes only.
func (t *Tracker) told(s Shift, found *change, fitted bool) {
	t.explain()
	s.Steps = []Step{{s.DetectedAt, "The change was found.", s.Named, bare(s.Causes)}}
	if len(t.Shifts) == mostShifts {
		t.Shifts = slices.Clone(t.Shifts[1:]) // results may hold the old ones
	}
	t.Shifts = append(t.Shifts, s)
	t.Watch = watch{On: true, Index: len(t.Shifts) - 1, Told: t.History.N, Size: s.Change.ITT}
	if fitted {
		t.Watch.Fitted, t.Watch.Start, t.Watch.From = true, found.start, found.from
	}
}

// reweigh weighs the newest shift again with the readings that came since, up to the next wash: what it takes off is not known
// well enough to fit the change through it.
func (t *Tracker) reweigh(at time.Time) {
	w := &t.Watch
	since := t.History.N - w.Told
	if !w.On || since == 0 || since%refresh != 0 {
		return
	}
	if since > watchCount || w.Fitted && t.History.N-w.Start >= reach-1 {
		w.On = false
		return
	}
	if w.Fitted && !t.Wash.At.After(t.Shifts[w.Index].DetectedAt) {
		step := t.History.gained(t.signatures, w.Start, w.From, false, &t.mean.covariance)
		rise := change{}
		if t.History.day(t.History.N)-t.History.day(w.From) >= slowDays {
			rise = t.History.gained(t.signatures, w.Start, w.From, true, &t.mean.covariance)
		}
		causes, _ := t.signatures.isolate(step, rise, &t.Scatter)
		w.fit, w.mean = better(step, rise), t.mean.covariance
		w.Size = w.fit.size[0]
		t.learned(at, fmt.Sprintf("%d readings since it began.", t.History.N-w.From), causes)
	}
}

// explain says what speaks for the causes of the newest shift and against them by its newest fit. That takes longer than all else that
// a reading costs, and mostly nobody asks before the next fit.
func (t *Tracker) explain() {
	if w := &t.Watch; w.fit.precision > 0 {
		s := &t.Shifts[w.Index]
		s.Causes = slices.Clone(s.Causes)
		t.signatures.explain(s.Causes, w.fit, &w.mean)
		w.fit = change{}
	}
}

// respond weighs the newest shift again when a wash after it, if there is one, has shown what it did.
func (t *Tracker) respond(at time.Time, p *pending) {
	w := &t.Watch
	if !w.On || p == nil || w.Answered == t.Cycle || !p.Wash.At.After(t.Shifts[w.Index].DetectedAt) {
		return
	}
	r := t.outcome(p)
	var factor float64
	var words string
	switch little := -littleOff * w.Size; {
	case little < 0 && r.ITT.Value-r.ITT.Half > little:
		factor, words = stayedOn, "The wash of %s did not take it off, which speaks against dirt."
	case r.Outcome == Recovered:
		factor, words = cameOff, "The wash of %s recovered, as after dirt."
	default:
		return
	}
	t.explain()
	w.Answered, words = t.Cycle, fmt.Sprintf(words, r.At.Format(time.DateOnly))
	causes := lifted(t.Shifts[w.Index].Causes, factor)
	for i := range causes {
		switch {
		case causes[i].Name != fouling:
		case factor < 1:
			causes[i].Against = append(slices.Clone(causes[i].Against), words)
		default:
			causes[i].For = append(slices.Clone(causes[i].For), words)
		}
	}
	t.learned(at, words, causes)
}

// learned keeps how the causes stand now, as a step when they moved.
func (t *Tracker) learned(at time.Time, evidence string, causes []Cause) {
	s := &t.Shifts[t.Watch.Index]
	last := s.Steps[len(s.Steps)-1]
	open := t.Open != nil && t.Open.DetectedAt.Equal(s.DetectedAt)
	if open && dirtFirst(causes) && !dirtFirst(s.Causes) {
		t.Withheld = false // what stood against a wash speaks for one now
	}
	s.Causes, s.Named = causes, named(causes)
	if open {
		t.Open.Causes, t.Open.Named = s.Causes, s.Named
	}
	if len(s.Steps) < mostSteps && (s.Named != last.Named || moved(last.Causes, causes)) {
		s.Steps = append(s.Steps, Step{at, evidence, s.Named, bare(causes)})
	}
}

// moved says whether a probability changed so much that it is told.
func moved(before, after []Cause) bool {
	return slices.ContainsFunc(after, func(c Cause) bool {
		i := slices.IndexFunc(before, func(b Cause) bool { return b.Name == c.Name })
		return i < 0 && c.Probability >= stepWorth || i >= 0 && math.Abs(before[i].Probability-c.Probability) >= stepWorth
	})
}

// lifted are causes with dirt so much more likely than it was.
func lifted(causes []Cause, dirt float64) []Cause {
	out := slices.Clone(causes)
	for i := range out {
		if out[i].Name == fouling {
			out[i].Probability *= dirt
		}
	}
	return normalised(out)
}

// bare are causes without their evidence.
func bare(causes []Cause) []Cause {
	var out []Cause
	for _, c := range causes {
		out = append(out, Cause{Name: c.Name, Probability: c.Probability})
	}
	return out
}
