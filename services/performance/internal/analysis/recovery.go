package analysis

import (
	"fmt"
	"math"
	"time"

	"coldsection.example/services/performance/internal/baseline"
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

// recover90 measures one wash: level, slopes and step, by least squares, with standard errors that allow for autocorrelation
// (Newey–West, Bartlett weights) and are no smaller than those of first-order autocorrelation. The readings end where a shift
// that dirt does not explain begins.
func recover90(r Result, events []Event, wash int) Recovery {
	e := events[wash]
	out := Recovery{At: e.At, WorkOrder: e.WorkOrder, Outcome: CannotTell}
	before, after := window(r, events, wash)
	out.Before, out.After = len(before), len(after)
	if len(before) < fewest || len(after) < fewest {
		out.ITT, out.Ng, out.Fuel = unknown, unknown, unknown
		out.Text = fmt.Sprintf("Cannot tell yet: %d readings before and %d after the wash; it takes at least %d on each side, so %d more after it.",
			len(before), len(after), fewest, max(0, fewest-len(after)))
		return out
	}
	all := append(append([]sample{}, before...), after...)
	fit := func(of func(baseline.Values) float64) Estimate {
		return stepOf(all, len(before), e.At, longRun(r, of), of)
	}
	out.ITT = fit(func(d baseline.Values) float64 { return d.ITT })
	out.Ng = fit(func(d baseline.Values) float64 { return d.Ng })
	out.Fuel = fit(func(d baseline.Values) float64 { return d.Fuel })
	if why := confounded(events, wash); why != "" {
		out.Text = "Cannot tell: " + why + " changed the indication or the engine inside the window, which can fake or hide a recovery."
		return out
	}
	out.verdict(r.Noise)
	return out
}

func (out *Recovery) verdict(noise float64) {
	lower, upper := out.ITT.Value-out.ITT.Half, out.ITT.Value+out.ITT.Half
	worth := -noise / 2 // a gain below half the noise of a single reading is not worth a wash
	switch {
	case upper < 0:
		out.Outcome = Recovered
		out.Text = fmt.Sprintf("Recovered: the ITT deviation fell by %.1f °C, and the 90 %% interval %.1f to %.1f °C excludes no effect.", -out.ITT.Value, lower, upper)
	case lower > worth:
		out.Outcome = NotRecovered
		out.Text = fmt.Sprintf("Not recovered: the change of %+.1f °C (90 %% interval %.1f to %.1f °C) excludes a gain of %.1f °C. Look for another cause.", out.ITT.Value, lower, upper, -worth)
	default:
		more := int(math.Ceil(float64(out.After) * (math.Pow(out.ITT.Half/math.Max(math.Abs(out.ITT.Value), noise/2), 2) - 1)))
		out.Text = fmt.Sprintf("Cannot tell: the change of %+.1f °C has the 90 %% interval %.1f to %.1f °C. About %d more readings would tell.", out.ITT.Value, lower, upper, max(1, more))
	}
}

// ends are the other washes, and the shifts whose onset can be told from this wash.
func ends(r Result, events []Event, wash int) []time.Time {
	var out []time.Time
	for i, e := range events {
		if e.Kind == "recovery_wash" && i != wash {
			out = append(out, e.At)
		}
	}
	for _, shift := range r.Shifts {
		if shift.Onset.Sub(events[wash].At).Abs() >= besideWash {
			out = append(out, shift.Onset)
		}
	}
	return out
}

// window collects the accepted readings on each side, up to the next wash or change.
func window(r Result, events []Event, wash int) (before, after []sample) {
	at := events[wash].At
	from, to := at.AddDate(0, 0, -windowDays), at.AddDate(0, 0, windowDays)
	for _, end := range ends(r, events, wash) {
		if end.After(at) && end.Before(to) {
			to = end
		}
		if !end.After(at) && end.After(from) {
			from = end
		}
	}
	for i, reading := range r.Readings {
		if r.Verdicts[i].State != Accepted || reading.At.Before(from) || !reading.At.Before(to) {
			continue
		}
		s := sample{reading.At, reading.Hours, r.Verdicts[i].Deviation}
		if reading.At.Before(at) {
			before = append(before, s)
		} else {
			after = append(after, s)
		}
	}
	return before[max(0, len(before)-windowCount):], after[:min(windowCount, len(after))]
}

func confounded(events []Event, wash int) string {
	at := events[wash].At
	for _, e := range events {
		known := e.Kind == "sensor_work" || e.Kind == "hot_section" || e.Kind == "overhaul"
		if known && e.At.Sub(at).Abs() < windowDays*24*time.Hour {
			return e.Kind + " on " + e.At.Format("2006-01-02")
		}
	}
	return ""
}

// besideWash is how near to a wash a shift is taken for a part of the wash's effect.
const besideWash = 7 * 24 * time.Hour

// ownSlope is how many readings each side needs for a slope of its own: dirt comes back faster on a clean engine.
const ownSlope = 20

// stepOf fits y = a + b·t + s·[after] + c·t·[after], t being counted from the wash, and returns s with the half width of its
// 90 % interval. With few readings on one side both share a slope.
func stepOf(all []sample, before int, wash time.Time, memory float64, of func(baseline.Values) float64) Estimate {
	x := make([][]float64, len(all))
	y := make([]float64, len(all))
	own := before >= ownSlope && len(all)-before >= ownSlope
	for i, s := range all {
		after := 0.0
		if i >= before {
			after = 1
		}
		t := s.at.Sub(wash).Hours() / 24 / windowDays
		if x[i] = []float64{1, t, after}; own {
			x[i] = append(x[i], t*after)
		}
		y[i] = of(s.d)
	}
	b, se, ok := cautious(x, y, lags(len(all)), memory)
	if !ok {
		return Estimate{Half: math.MaxFloat32}
	}
	return Estimate{b[2], t90(len(all)-len(b)) * se[2]}
}

// lags of the Newey–West estimator: 4 (n/100)^(2/9), the usual rule.
func lags(n int) int { return int(math.Floor(4 * math.Pow(float64(n)/100, 2.0/9))) }

// t90 is the two-sided 90 % quantile of Student's t, by Cornish–Fisher from the normal one.
func t90(df int) float64 {
	z, n := z90, float64(max(1, df))
	return z + (z*z*z+z)/(4*n) + (5*math.Pow(z, 5)+16*z*z*z+3*z)/(96*n*n)
}

// slope is the least-squares slope with its 90 % half width.
func slope(x, y []float64) Estimate {
	if len(x) < fewest {
		return Estimate{Half: math.MaxFloat32}
	}
	rows := make([][]float64, len(x))
	for i := range x {
		rows[i] = []float64{1, x[i] - x[0]}
	}
	b, se, ok := cautious(rows, y, lags(len(x)), 1)
	if !ok {
		return Estimate{Half: math.MaxFloat32}
	}
	return Estimate{b[1], t90(len(x)-2) * se[1]}
}
