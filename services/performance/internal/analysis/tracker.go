package analysis

import (
	"math"
	"time"

	"coldsection.example/services/performance/internal/baseline"
	"coldsection.example/services/performance/internal/hours"
	"coldsection.example/services/performance/internal/regress"
)

// wash is the kind of event after which dirt is gone.
const wash = "recovery_wash"

const (
	referenceCount = 20 // readings after a change that make the reference level
	levelWindow    = 15 // readings behind the present level
	refresh        = 10 // readings after which noise and thresholds are worked out anew
	z90            = 1.6449
	hoursPerDay    = 24.0
	defaultDays    = 2700.0
	longest        = 1e6 // days between false advices that can be asked for
)

// Tracker is what is known of an engine so far. Its size and the cost of a reading do not grow with the readings behind it.
type Tracker struct {
	Rules      Rules
	Taken      taken
	Near       neighbours
	Scatter    scatter
	Propeller  propeller
	History    history
	First      time.Time // accepted reading
	Last       time.Time
	Hours      hours.Log // of accepted readings
	Newest     time.Time // of a reading or an event
	Used, Kept int

	Since   int // number of the last reading before the reference began
	SinceAt time.Time
	Based   bool // there is a reference: Base is the level that the trend is counted from, BaseAt when it began
	Base    vector
	BaseAt  time.Time
	Cusum   float64
	EWMA    float64
	Slope   running

	Cycle    int // washes so far
	Wash     Event
	Age      float64 // hours from it to the newest accepted reading whose hours are believed; 0 when not known
	Advised  bool    // in this cycle
	Dirty    bool    // more dirt than usual was told in this cycle
	Withheld bool    // an advice, since the last change
	Open     *Shift
	Risen    time.Time // when Open was last found to go on

	Rate, Limit, Height float64 // readings between false findings; limits of χ² for changes and of the cumulative sum
	Sure                float64 // standard errors that a line must be above what is worth a wash
	Lately              []raw   // the newest accepted readings
	Events              []Event // of the last months
	Pending             []pending
	Measured            []Recovery
	Advices             []Advice
	HeldBack            []Advice
	Shifts              []Shift
	Watch               watch // the newest of Shifts

	signatures *signatures // those of Rules
	mean       longRun     // that of Scatter
	room       []raw       // for Lately
}

// NewTracker begins with an engine of which nothing is known.
func NewTracker(rules Rules) *Tracker {
	t := &Tracker{Rules: rules, Scatter: newScatter()}
	if !(rules.FalseAdviceDays > 0) {
		t.Rules.FalseAdviceDays = defaultDays
	}
	t.Rules.FalseAdviceDays = math.Max(1, math.Min(longest, t.Rules.FalseAdviceDays))
	t.Rules.WorthITT = Worth(rules)
	if !(rules.NoiseITT > 0 && rules.NoiseITT <= farITT) {
		t.Rules.NoiseITT = 0
	}
	t.signatures = signaturesOf(rules)
	t.learn()
	return t
}

// Event takes in something done to the engine, before the readings after it.
func (t *Tracker) Event(e Event) {
	t.remember(e)
	t.see(e.At)
	switch e.Kind {
	case wash:
		t.Cycle++
		t.Wash, t.Age, t.Advised, t.Dirty = e, 0, false, false
		t.History.wash()
		t.begin(e)
	case "salt_rinse":
		return
	default: // an answer to what was open, or a change of the engine or of an indication
		t.explain()
		t.Open, t.Based, t.Watch = nil, false, watch{}
		t.History.Begin = t.History.N
	}
	t.Near, t.Withheld = neighbours{}, false
	t.Scatter.cut()
	t.Propeller.Any = false
	t.restart(e.At)
}

// restart begins a new reference.
func (t *Tracker) restart(at time.Time) {
	t.Since, t.SinceAt, t.Cusum, t.EWMA, t.Slope = t.History.N, at, 0, 0, running{}
}

// Reading takes a reading in, after those before it, and says what became of it.
func (t *Tracker) Reading(model *baseline.Model, r *Reading) (v Verdict) {
	t.read(model, r, &v)
	return v
}

// read is Reading, which writes into an empty verdict: there are many, and each copy of one takes time.
func (t *Tracker) read(model *baseline.Model, r *Reading, v *Verdict) {
	t.see(r.At)
	t.Taken.judge(model, r, v)
	if v.State == Held {
		t.Kept++
	}
	if v.State != Accepted {
		return
	}
	if !r.Included {
		if median, out := t.Near.outlier(v.Deviation.ITT, t.noise()); out {
			v.State, v.Reason, v.Text = Outlier, "FAR_FROM_NEIGHBOURS", farText(v.Deviation.ITT, median)
			return
		}
	}
	t.take(r, model.Speed(&r.Point), v)
}

// noise of single ITT readings [°C]: the operator's figure, or what was learned.
func (t *Tracker) noise() float64 {
	if t.Rules.NoiseITT > 0 {
		return t.Rules.NoiseITT
	}
	return t.Scatter.Sigma[0]
}

// take uses an accepted reading.
func (t *Tracker) take(r *Reading, speed float64, v *Verdict) {
	if t.Used == 0 {
		t.First, t.SinceAt = r.At, r.At
	}
	t.Used++
	t.Last = r.At
	t.Propeller.add(speed, vectorOf(v.Deviation), t.Scatter.Sigma)
	d := t.Propeller.correct(speed, vectorOf(v.Deviation))
	t.Scatter.add(d)
	t.History.add(r.At.Sub(t.First).Hours()/hoursPerDay, d)
	if t.Used%refresh == 0 {
		t.learn()
	}
	if n := t.History.N - t.Since; n == 1 {
		t.EWMA = d[0]
	}
	t.EWMA = regress.EWMA(t.EWMA, d[0], 0.2) // a usual weight (NIST e-Handbook 6.3.2.4)
	v.Level = t.EWMA
	if t.count(r) {
		t.Slope.add(r.Hours, d[0])
	}
	t.shift(r.At)
	t.reweigh(r.At)
	t.measure(raw{r.At, speed, vectorOf(v.Deviation), v.theta})
	t.trend(r.At, d)
	t.programme(r.At, v.Level)
}

// learn works the noise out anew, and the thresholds when the rate at which readings came so far has changed.
func (t *Tracker) learn() {
	t.Scatter.learn()
	t.mean = longRunOf(t.Scatter.mean())
	t.Propeller.learn()
	rate := t.Rules.FalseAdviceDays
	if days := t.Last.Sub(t.First).Hours() / hoursPerDay; days > 0 {
		rate *= float64(t.Used) / math.Max(1, days)
	}
	if math.Abs(rate-t.Rate) > 0.02*rate {
		t.Rate, t.Limit, t.Height, t.Sure = rate, limitFor(rate), Threshold(rate, allowance), sureness(rate)
	}
}

// shift looks for a change that dirt does not explain, and begins anew after it. A rise that goes on is told once, and again when a
// wash did not end it.
func (t *Tracker) shift(at time.Time) {
	if t.Used < shiftNoise {
		return
	}
	found, step, rise, ok := t.History.find(t.signatures, &t.Scatter, &t.mean, t.Limit)
	if !ok {
		return
	}
	s := Shift{DetectedAt: at, Onset: t.dayAfter(found.from), Gradual: found.gradual, Change: found.size.values()}
	s.Causes, s.Named = t.signatures.isolate(step, rise, &t.Scatter)
	t.History.Begin = found.from
	if found.gradual {
		t.History.Begin = t.History.N
	}
	if airSide(s.Causes) {
		t.dirty(s, &found, true)
		return
	}
	goesOn := t.Open != nil && s.Gradual && t.Open.Gradual && s.Onset.Before(t.Risen.Add(slowDays*aDay))
	known := goesOn && !t.Wash.At.After(t.Risen)
	if t.Risen = at; known {
		return
	}
	t.signatures.explain(s.Causes, found, &t.mean.covariance)
	t.told(s, &found, true)
	if t.Open = &s; goesOn {
		return // the level that the trend is counted from stays
	}
	t.Near, t.Withheld, t.Based = neighbours{}, false, false
	t.restart(at)
}

// dirty tells of more dirt than is usual, once a wash cycle. Trend and recoveries go on as before.
func (t *Tracker) dirty(s Shift, found *change, fitted bool) {
	s.Dirt = true
	if !t.Dirty {
		t.signatures.explain(s.Causes, *found, &t.mean.covariance)
		t.told(s, found, fitted)
	}
	t.Dirty = true
}

// dayAfter is when the reading after number i was taken.
func (t *Tracker) dayAfter(i int) time.Time {
	return t.First.Add(time.Duration(t.History.day(min(i+1, t.History.N)) * hoursPerDay * float64(time.Hour))).Round(time.Second)
}

// level is the mean of the newest readings since the last change, with its interval.
func (t *Tracker) level(of int) Estimate {
	n := min(levelWindow, t.History.N-t.Since)
	if n == 0 {
		return unknown
	}
	d, _ := t.History.window(t.History.N-n, t.History.N)
	return Estimate{d[of], z90 * t.Scatter.Sigma[of] * math.Sqrt(t.Scatter.Long[of]/float64(n))}
}

// tell writes what is known into a result.
func (t *Tracker) tell(r *Result) {
	t.explain()
	r.Advices, r.HeldBack, r.Shifts, r.Recoveries = t.Advices, t.HeldBack, t.Shifts, t.recoveries()
	r.Level, r.Ng, r.Fuel = t.level(0), t.level(1), t.level(2)
	if n := len(t.HeldBack); t.Withheld && n > 0 {
		reasons := t.HeldBack[n-1].Reasons
		r.Withheld = reasons[len(reasons)-1]
	}
	r.Last, r.Cycle, r.Wash, r.WashAge = t.Last, t.Cycle, t.Wash, t.Age
	r.Slope = t.Slope.estimate(t.Scatter.Long[0])
	r.Noise, r.Threshold, r.Used, r.Kept = t.noise(), t.Height, t.Used, t.Kept
	r.Reference, r.Based = t.Base[0], t.Based
	r.Behind = min(levelWindow, t.History.N-t.Since, len(t.Lately))
	for _, x := range t.Lately[len(t.Lately)-r.Behind:] {
		r.Theta += x.Theta / float64(r.Behind)
	}
	if n := t.History.N - t.Since; !t.Based && n > 0 {
		d, _ := t.History.window(t.Since, t.History.N)
		r.Reference = d[0]
	}
}
