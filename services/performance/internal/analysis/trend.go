package analysis

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"coldsection.example/services/performance/internal/hours"
	"coldsection.example/services/performance/internal/regress"
)

// allowance of the cumulative sum, in long-run standard deviations of a reading: half the rise above what is worth a wash that
// it is tuned to find.
const allowance = 0.25

// worthWash is the rise of ITT [°C] at constant power that goes with 3 % of power lost at constant temperature, the usual
// sign to wash at (Mund and Pilidis, J. Eng. Gas Turbines Power 128 (2006), citing Diakunchak 1992): dirt that costs the
// demonstration engine 4.7 % raises its ITT by 10.4 °C. An operator's own figure replaces it.
const worthWash = 3.0 / 4.7 * 10.4

// Worth is the rise of ITT [°C] that is worth a wash by these rules.
func Worth(rules Rules) float64 {
	if !(rules.WorthITT > 0) {
		return worthWash
	}
	return math.Min(farITT, rules.WorthITT)
}

// notDirt is the χ² with two degrees of freedom that only one change in a hundred by dirt passes.
const notDirt = 9.21

// ARL is the average run length of a one-sided CUSUM of normal noise without a shift, by Siegmund's approximation
// (Montgomery, Introduction to Statistical Quality Control; NIST e-Handbook 6.3.2.3 gives the chart): with b = h + 1.166,
// ARL = (exp(2kb) − 2kb − 1) / (2k²).
func ARL(h, k float64) float64 {
	b := h + 1.166
	return (math.Exp(2*k*b) - 2*k*b - 1) / (2 * k * k)
}

// Threshold is the h that gives this average run length, by bisection between 0 and 50.
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

// trend advises a wash when what came since the last wash is surely worth one, or when that together with what washes left on is and
// comes fast. The standard error of the reference does not average out and is added to the worth.
func (t *Tracker) trend(at time.Time, d vector) {
	n := t.History.N - t.Since
	if n < referenceCount {
		return
	}
	if n == referenceCount {
		t.refer(at)
		return
	}
	if n == 2*referenceCount { // a wash that could not be told before may be told now
		t.respond(at, t.answering())
	}
	long := t.noise() * math.Sqrt(t.Scatter.Long[0])
	unsure := long / math.Sqrt(referenceCount)
	z := (d[0] - t.Base[0] - unsure - t.beyondUsual(at)) / long
	t.Cusum = regress.Cusum(t.Cusum, min(z, 4), allowance)
	if t.Advised || t.Withheld {
		return
	}
	r := t.gathered(long)
	switch {
	case r.surely(t.Rules.WorthITT, t.Sure):
		t.risen(at, fmt.Sprintf("by the line through the readings since the last wash or change it rose by %.1f °C (standard error %.1f °C), "+
			"by more than %.1f standard errors more than the %.1f °C that are worth a wash",
			r.rise, r.se, t.Sure, t.Rules.WorthITT))
	case t.Cusum > t.Height && r.surely(dirtRate*t.signatures.dirt[0]*r.days, fasterBy):
		t.risen(at, fmt.Sprintf("the cumulative sum of what is above %.1f °C passed its threshold %.1f, which an engine that rose by just that passes once in %.0f days on average, "+
			"and the level rises faster than by usual dirt",
			t.beyondUsual(at), t.Height, t.Rules.FalseAdviceDays))
	}
}

// Dirt that washes left on adds up on any engine, and an engine that is well gathers what is worth a wash in two cycles when the wash
// between did little. The trend asks for more than that: what came since the last wash alone is worth one, or all since the reference is
// more than the dirt of wellPace and what came since the last wash came faster than usual dirt does, by fasterBy standard errors.
//
// What it costs, on 240 generated fleets (seeds 20001 to 20240; 960 engines that are well, 1,920 that foul): advices on engines that
// are well, those that foul and are advised, and half of all that foul within so many days. The cumulative sum alone: 59 (each really
// dirtier by 8 to 11 °C after a wash that took little), 67.1 %, 144 days. The line alone at 2.5 standard errors: 6, 68.1 %, 133 days; at 3:
// 4, 63.6 %, 148 days. As it stands here: 5, 68.3 %, 135 days. With the line at 2.5 and without wellPace: 18, 74.5 %, 117 days.
const (
	wellPace = 0.004 // units of dirt's signature a day; common practice, no source
	fasterBy = 1.0
	newLook  = 8.0 // readings after which a line is taken for another one; it is so after more, so that the rate is kept
)

// beyondUsual is the rise of ITT [°C] since the reference that the cumulative sum is counted from.
func (t *Tracker) beyondUsual(at time.Time) float64 {
	return max(t.Rules.WorthITT, wellPace*t.signatures.dirt[0]*at.Sub(t.BaseAt).Hours()/hoursPerDay)
}

// sureness is how many standard errors a line must be above the worth, so that one that is just there passes once in so many readings.
func sureness(readings float64) float64 {
	return distuv.UnitNormal.Quantile(1 - newLook/math.Max(2*newLook, readings))
}

// gathered is what came since the last wash or change by the straight line through the readings since.
type gathered struct {
	rise, se float64 // °C
	days     float64
}

// surely says whether the rise is more than that, by more than so many standard errors.
func (g *gathered) surely(than, errors float64) bool { return g.rise-than > errors*g.se }

// gathered fits the line to readings of this long-run standard deviation.
func (t *Tracker) gathered(long float64) gathered {
	h := &t.History
	start := max(t.Since, h.oldest())
	line := h.fit(start, start, true)
	if !(line.precision > 0) {
		return gathered{se: math.Inf(1)}
	}
	return gathered{line.size[0], long / math.Sqrt(line.precision), h.day(h.N) - h.day(start)}
}

// refer takes the first readings since the last change as the new reference. After a wash that did not certainly recover
// anything, or less than it left of the rise since the reference, a lower one stays, since a wash may still bring that level back.
func (t *Tracker) refer(at time.Time) {
	fresh, _ := t.History.window(t.Since, t.History.N)
	answer := t.answering()
	t.respond(at, answer)
	if left := fresh[0] - t.Base[0]; t.Based && left > 0 && answer != nil {
		if r := t.outcome(answer); r.Outcome != Recovered || -r.ITT.Value < left {
			return
		}
	}
	t.Based, t.Base, t.BaseAt = true, fresh, t.SinceAt
}

// answering is the wash at which the present readings begin; nil when they begin otherwise.
func (t *Tracker) answering() *pending {
	p := len(t.Pending)
	if p == 0 || !t.Pending[p-1].Wash.At.Equal(t.SinceAt) {
		return nil
	}
	return &t.Pending[p-1]
}

// risen tells of a level that rose: an advice when a wash may answer it, or what must be answered first. An open change that is
// most probably dirt itself is no reason against a wash.
func (t *Tracker) risen(at time.Time, because string) {
	level := t.level(0)
	n := float64(min(levelWindow, t.History.N-t.Since-referenceCount))
	rise := change{gradual: true, precision: 1 / (1/n + 1.0/referenceCount), gain: 1}
	newest, day := t.History.window(t.History.N-int(n), t.History.N)
	rise.size, rise.days = newest.plus(-1, t.Base), day-t.BaseAt.Sub(t.First).Hours()/hoursPerDay
	reasons := []string{
		fmt.Sprintf("The ITT deviation rose from %+.1f to %+.1f °C (90 %% interval ±%.1f °C) since the last reference", t.Base[0], level.Value, level.Half),
		because,
	}
	if t.Open != nil && !dirtFirst(t.Open.Causes) {
		t.withhold(at, level.Value, reasons, fmt.Sprintf("since %s stands a change that dirt does not explain (%s), which a wash would not cure: answer it first",
			t.Open.Onset.Format(time.DateOnly), t.Open.Causes[0].Name))
		return
	}
	mean := t.Scatter.mean()
	dirty := t.signatures.beyond(&mean, rise, rise.precision) < notDirt
	s := Shift{DetectedAt: at, Onset: t.SinceAt, Gradual: true, Dirt: true, Change: rise.size.values()}
	s.Causes, s.Named = t.signatures.isolate(change{}, rise, &t.Scatter)
	t.dirty(s, &rise, false)
	if !dirty {
		t.withhold(at, level.Value, reasons, "the speed and the fuel flow did not move as dirt moves them: look for another cause first")
		return
	}
	t.advise(at, "trend", level.Value, reasons...)
}

// withhold keeps an advice back, once for a cause.
func (t *Tracker) withhold(at time.Time, level float64, reasons []string, why string) {
	t.Withheld = true
	t.HeldBack = append(t.HeldBack, Advice{At: at, Cause: "trend", Reasons: append(reasons, why), Level: level, Cycle: t.Cycle})
}

// count takes the hours of a reading in, and says whether they are believed beside those of the readings before it: a slipped digit must
// not bend the slope, make the wash older, or make one due. The wash's age needs them to be possible after the wash, too.
func (t *Tracker) count(r *Reading) bool {
	now, washed := hours.At{Time: r.At, Hours: r.Hours}, hours.At{Time: t.Wash.At, Hours: t.Wash.Hours}
	if !t.Hours.Believe(now) {
		return false
	}
	if washed.Hours > 0 && hours.Together(washed, now) {
		t.Age = math.Max(0, now.Hours-washed.Hours)
	}
	return true
}

// programme advises when the operator's programme asks for a wash.
func (t *Tracker) programme(at time.Time, level float64) {
	if t.Cycle == 0 || t.Advised {
		return
	}
	if limit := float64(t.Rules.ProgrammeHours); limit > 0 && t.Age >= limit {
		t.advise(at, "programme", level, fmt.Sprintf("%.0f h since the last recovery wash; the programme asks for one every %.0f h", t.Age, limit))
	}
	limit := t.Rules.ProgrammeDays
	if limit <= 0 {
		return
	}
	if days := at.Sub(t.Wash.At).Hours() / hoursPerDay; days >= float64(limit) {
		t.advise(at, "programme", level, fmt.Sprintf("%.0f days since the last recovery wash; the programme asks for one every %d days", days, limit))
	}
}

// advise gives at most one advice per wash cycle: the first cause, never two for the same need.
func (t *Tracker) advise(at time.Time, cause string, level float64, reasons ...string) {
	if t.Advised {
		return
	}
	t.Advised = true
	t.Advices = append(t.Advices, Advice{At: at, Cause: cause, Reasons: reasons, Level: level, Cycle: t.Cycle})
}

func farText(itt, median float64) string {
	return fmt.Sprintf("ITT deviation %+.1f °C, the readings before it %+.1f °C.", itt, median)
}

// running are the sums of a line through ITT deviations [°C] over hundreds of hours since the first.
type running struct {
	N, First, X, Y, XX, XY, YY float64
}

func (r *running) add(at, itt float64) {
	if r.N == 0 {
		r.First = at
	}
	x := (at - r.First) / 100
	r.N, r.X, r.Y, r.XX, r.XY, r.YY = r.N+1, r.X+x, r.Y+itt, r.XX+x*x, r.XY+x*itt, r.YY+itt*itt
}

// estimate is the least-squares slope with its 90 % half width, the variance inflated by this much for the noise's memory.
func (r *running) estimate(long float64) Estimate {
	spread := r.XX - r.X*r.X/math.Max(1, r.N)
	if r.N < fewest || !(spread > 1e-9) {
		return unknown
	}
	slope := (r.XY - r.X*r.Y/r.N) / spread
	rest := math.Max(0, r.YY-r.Y*r.Y/r.N-slope*slope*spread)
	return Estimate{slope, t90(r.N-2) * math.Sqrt(rest/(r.N-2)*long/spread)}
}
