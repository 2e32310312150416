package analysis

import (
	"fmt"
	"math"
	"slices"
	"time"

	"coldsection.example/services/performance/internal/baseline"
)

const (
	farITT  = 60.0 // °C: no condition of an engine that still flies
	farNg   = 6.0  // % points
	farFuel = 15.0 // %
	wildest = 1e4  // times that is not even taken when a person says so
)

// taken is a reading that was not put aside, for those of the same time.
type taken struct {
	At    time.Time
	Point baseline.Point
	Any   bool
}

// judge looks at one reading: what a person decided, whether it is there twice, whether it can be true.
func (t *taken) judge(model *baseline.Model, r *Reading, v *Verdict) {
	if r.Excluded {
		v.State, v.Reason, v.Text = Excluded, "EXCLUDED_BY_PERSON", "Taken out of the analysis by a person."
		return
	}
	if r.Unread && !r.Included {
		v.State, v.Reason, v.Text = Held, "AIRSPEED_MISSING",
			"It is in flight by its phase or altitude, and its calibrated airspeed was left out or is 0. Correct that, or the phase of a ground run, or include it at 0 kt."
		return
	}
	if t.Any && t.At.Equal(r.At) {
		if t.Point == r.Point {
			v.State, v.Reason, v.Text = Duplicate, "DUPLICATE", "The same reading stands here already."
			return
		}
		if !r.Included {
			v.State, v.Reason, v.Text = Held, "TWO_VALUES_FOR_ONE_TIME", "Another reading of this time has other values. Exclude the wrong one."
			return
		}
	}
	t.At, t.Point, t.Any = r.At, r.Point, true
	d, theta, err := model.Deviation(&r.Point)
	if err != nil {
		v.State, v.Reason, v.Text = Held, "OUT_OF_RANGE", err.Error()+"."
		return
	}
	if !within(d, wildest) {
		v.State, v.Reason, v.Text = Held, "IMPLAUSIBLE", "ITT, Ng or fuel flow is no number that an indication shows. Correct it."
		return
	}
	v.State, v.Deviation, v.Analysed, v.theta = Accepted, d, true, theta
	if !r.Included && !within(d, 1) {
		v.State = Held
		v.Reason, v.Text = suspect(model, r.Point, d)
	}
}

// within says whether each part is a number of at most so many times what is still plausible.
func within(d baseline.Values, times float64) bool {
	return math.Abs(d.ITT) <= times*farITT && math.Abs(d.Ng) <= times*farNg && math.Abs(d.Fuel) <= times*farFuel
}

// suspect names the mistake that explains an implausible reading, if one does.
func suspect(model *baseline.Model, p baseline.Point, d baseline.Values) (reason, text string) {
	celsius := p
	celsius.OAT = (p.OAT - 32) * 5 / 9
	if x, _, err := model.Deviation(&celsius); err == nil && within(x, 1) {
		return "OAT_LOOKS_LIKE_FAHRENHEIT", fmt.Sprintf("With %.0f read as °F the reading fits. Correct the air temperature, or include it as it is.", p.OAT)
	}
	return "IMPLAUSIBLE", fmt.Sprintf("It differs from a clean engine by %+.0f °C ITT, %+.1f %% Ng and %+.0f %% fuel flow. Check it against the log.", d.ITT, d.Ng, d.Fuel)
}

// neighbours are the last accepted ITT deviations, up to seven, since the last known change.
type neighbours struct {
	Window [7]float64
	Count  int
	Marked int // outliers in a row
}

// outlier applies Hampel's rule: further than 3 scaled median deviations, and 4 noise, from the median of the accepted
// readings before. It looks back only. A third one in a row is a change and is not marked.
func (n *neighbours) outlier(itt, noise float64) (median float64, out bool) {
	if known := n.Window[:min(n.Count, len(n.Window))]; len(known) >= 5 && n.Marked < 2 && apart(known, itt, 4*noise) {
		var sorted [7]float64
		window := sorted[:copy(sorted[:], known)]
		median = middle(window)
		far := math.Abs(itt - median)
		if far > 4*noise {
			for i := range window {
				window[i] = math.Abs(window[i] - median)
			}
			if far > 3*1.4826*middle(window) {
				n.Marked++
				return median, true
			}
		}
	}
	n.Marked = 0
	n.Window[n.Count%len(n.Window)] = itt
	n.Count++
	return 0, false
}

// apart says whether any of the values is further from one than that; otherwise their median is no further, either.
func apart(values []float64, one, far float64) bool {
	for _, v := range values {
		if !(math.Abs(v-one) <= far) {
			return true
		}
	}
	return false
}

// middle sorts values and returns their median.
func middle(s []float64) float64 {
	slices.Sort(s)
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2
	}
	return s[len(s)/2]
}
