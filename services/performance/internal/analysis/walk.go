package analysis

import (
	"fmt"
	"math"
	"time"

	"coldsection.example/services/performance/internal/baseline"
)

// walk goes through the readings in time and gives advice as it would have been given then.
type walk struct {
	r       *Result
	events  []Event
	rules   Rules
	next    int // the next event
	cycle   int // washes so far
	wash    Event
	since   []baseline.Values // accepted deviations since the reference event
	sum     float64           // one-sided CUSUM, in standard deviations
	h       float64           // its threshold
	advised map[string]bool
	recent  []sample // accepted readings, newest last
	ewma    float64
	started bool
	seen    seen // accepted readings since the last shift or change of the engine
}

type sample struct {
	at    time.Time
	hours float64
	d     baseline.Values
}

// allowance of the CUSUM in standard deviations: half the shift that it is tuned to find, here two of them.
const allowance = 1.0

// worthWash is the rise, in standard deviations of single readings, below which a wash is not worth its cost; common
// practice, no source. Rules of cost in the operator's own data replace it once they are built.
const worthWash = 2.0

const defaultFalseDays = 2700.0

func newWalk(r *Result, events []Event, rules Rules) *walk {
	w := &walk{r: r, events: events, rules: rules, advised: map[string]bool{}}
	perDay := 1.0
	if n := len(r.Readings); n > 1 {
		if days := r.Readings[n-1].At.Sub(r.Readings[0].At).Hours() / 24; days > 0 {
			perDay = float64(n) / days
		}
	}
	days := rules.FalseAdviceDays
	if days <= 0 {
		days = defaultFalseDays
	}
	w.h = Threshold(days*perDay, allowance)
	r.Threshold = (w.h + allowance) * r.Noise
	return w
}

// ARL is the average run length of a one-sided CUSUM of normal noise without a shift, by Siegmund's approximation
// (Montgomery, Introduction to Statistical Quality Control; NIST e-Handbook 6.3.2.3 gives the chart): with b = h + 1.166,
// ARL = (exp(2kb) − 2kb − 1) / (2k²).
func ARL(h, k float64) float64 {
	b := h + 1.166
	return (math.Exp(2*k*b) - 2*k*b - 1) / (2 * k * k)
}

// Threshold is the h that gives this average run length, by bisection.
func Threshold(arl, k float64) float64 {
	low, high := 0.0, 50.0
	for range 60 {
		if mid := (low + high) / 2; ARL(mid, k) < arl {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}

// step takes reading i in, after the events before it.
func (w *walk) step(i int) {
	reading, v := w.r.Readings[i], &w.r.Verdicts[i]
	for w.next < len(w.events) && !w.events[w.next].At.After(reading.At) {
		w.take(w.events[w.next])
		w.next++
	}
	switch v.State {
	case Accepted:
		w.r.Used++
	case Held:
		w.r.Kept++
	default: // shown only
	}
	if v.State != Accepted {
		return
	}
	w.since = append(w.since, v.Deviation)
	w.recent = append(w.recent, sample{reading.At, reading.Hours, v.Deviation})
	w.smooth(v)
	w.shift(reading, v)
	if len(w.since) <= referenceCount {
		return
	}
	w.trend(reading, v)
	w.programme(reading, v)
}

// take starts a new reference where the level may change for a known reason.
func (w *walk) take(e Event) {
	switch e.Kind {
	case "recovery_wash":
		w.cycle++
		w.wash = e
	case "salt_rinse", "other":
		return
	default:
		w.seen = seen{}
	}
	w.since, w.sum, w.started = nil, 0, false
}

// smooth is an exponentially weighted mean with weight 0.2 (NIST e-Handbook 6.3.2.4), restarted at a known change.
func (w *walk) smooth(v *Verdict) {
	if !w.started {
		w.ewma, w.started = v.Deviation.ITT, true
	}
	w.ewma = 0.2*v.Deviation.ITT + 0.8*w.ewma
	v.Level = w.ewma
}

// reference is the level after the last known change, from its first readings.
func (w *walk) reference() float64 {
	var first []float64
	for _, d := range w.since[:min(referenceCount, len(w.since))] {
		first = append(first, d.ITT)
	}
	return median(first)
}

func (w *walk) trend(reading Reading, v *Verdict) {
	z := (v.Deviation.ITT - w.reference()) / w.r.Noise
	w.sum = math.Max(0, w.sum+math.Min(z, 4)-allowance)
	if w.sum <= w.h {
		return
	}
	level := w.level()
	if level.Value-w.reference() < worthWash*w.r.Noise {
		return // it rose, but by less than a wash is worth
	}
	w.advise(reading.At, "trend", level.Value,
		fmt.Sprintf("The ITT deviation rose from %+.1f to %+.1f °C (90 %% interval ±%.1f °C) since the last reference", w.reference(), level.Value, level.Half),
		fmt.Sprintf("the cumulative sum %.1f passed its threshold %.1f, which noise of %.1f °C passes once in %.0f days on average", w.sum, w.h, w.r.Noise,
			w.falseDays()))
}

// shift looks for a change that dirt does not explain. After one it begins anew, and it tells a rise that goes on once.
func (w *walk) shift(reading Reading, v *Verdict) {
	w.seen.add(reading.At, v.Deviation)
	found, ok := w.seen.find(w.recent, w.betweenFalse())
	if !ok {
		return
	}
	w.seen = seen{}
	if n := len(w.r.Shifts); n > 0 && found.Gradual && w.r.Shifts[n-1].Causes[0].Name == found.Causes[0].Name {
		return
	}
	w.r.Shifts = append(w.r.Shifts, found)
}

// betweenFalse is the stated number of days between false findings in readings, at the rate at which they came so far.
func (w *walk) betweenFalse() float64 {
	n := len(w.recent)
	days := w.recent[n-1].at.Sub(w.recent[0].at).Hours() / 24
	return w.falseDays() * float64(n) / math.Max(1, days)
}

func (w *walk) falseDays() float64 {
	if w.rules.FalseAdviceDays > 0 {
		return w.rules.FalseAdviceDays
	}
	return defaultFalseDays
}

func (w *walk) programme(reading Reading, v *Verdict) {
	if w.cycle == 0 {
		return
	}
	if limit := float64(w.rules.ProgrammeHours); limit > 0 && reading.Hours > 0 && w.wash.Hours > 0 && reading.Hours-w.wash.Hours >= limit {
		w.advise(reading.At, "programme", v.Level, fmt.Sprintf("%.0f h since the last recovery wash; the programme asks for one every %.0f h", reading.Hours-w.wash.Hours, limit))
	}
	if limit := w.rules.ProgrammeDays; limit > 0 && reading.At.Sub(w.wash.At) >= time.Duration(limit)*24*time.Hour {
		w.advise(reading.At, "programme", v.Level, fmt.Sprintf("%.0f days since the last recovery wash; the programme asks for one every %d days", reading.At.Sub(w.wash.At).Hours()/24, limit))
	}
}

// advise gives at most one advice per wash cycle: the first cause, never two for the same need.
func (w *walk) advise(at time.Time, cause string, level float64, reasons ...string) {
	key := fmt.Sprint(w.cycle)
	if w.advised[key] {
		return
	}
	w.advised[key] = true
	w.r.Advices = append(w.r.Advices, Advice{At: at, Cause: cause, Reasons: reasons, Level: level, Cycle: w.cycle})
}

// level is the mean of the newest readings since the last change, with its interval.
func (w *walk) level() Estimate {
	itt := func(d baseline.Values) float64 { return d.ITT }
	return mean(w.newest(), itt, w.r.Noise)
}

func (w *walk) newest() []baseline.Values {
	return w.since[max(0, len(w.since)-levelWindow):]
}

func mean(d []baseline.Values, of func(baseline.Values) float64, noise float64) Estimate {
	if len(d) == 0 {
		return Estimate{Half: math.MaxFloat32}
	}
	sum, squares := 0.0, 0.0
	for _, v := range d {
		sum += of(v)
	}
	m := sum / float64(len(d))
	for _, v := range d {
		squares += (of(v) - m) * (of(v) - m)
	}
	s := noise
	if len(d) > 4 {
		s = math.Max(s, math.Sqrt(squares/float64(len(d)-1)))
	}
	return Estimate{m, z90 * s / math.Sqrt(float64(len(d)))}
}

// finish takes the remaining events in and states the present level and slope.
func (w *walk) finish() {
	for ; w.next < len(w.events); w.next++ {
		w.take(w.events[w.next])
	}
	w.r.Level = w.level()
	w.r.Ng = mean(w.newest(), func(d baseline.Values) float64 { return d.Ng }, 0)
	w.r.Fuel = mean(w.newest(), func(d baseline.Values) float64 { return d.Fuel }, 0)
	if len(w.since) > 0 {
		w.r.Reference = w.reference()
	}
	var x, y []float64
	for _, s := range w.recent[max(0, len(w.recent)-len(w.since)):] {
		if s.hours > 0 {
			x, y = append(x, s.hours/100), append(y, s.d.ITT)
		}
	}
	w.r.Slope = slope(x, y)
}
