// Package prediction says what a wash can be expected to recover: a share of what is dirt in the deviation since the last wash.
//
// Deviations are ITT [°C], Ng [%], fuel flow [%]. How much of a change is dirt is its projection on the direction of dirt, in
// units of that direction's signature, weighted by how well each parameter is known. A wash recovers a share of it: the prior is
// 0.7 with a standard deviation of 0.2 (common practice, no source), and the engine's own washes pull it their way. It is never
// the whole of a model's dirt: a first wash rests on the prior only, and says so.
package prediction

import (
	"fmt"
	"math"

	"coldsection.example/services/platform/fault"
)

// Vector is ITT [°C], Ng [%], fuel flow [%].
type Vector [3]float64

// Change is a change of the deviations with the standard error of each.
type Change struct{ Value, Error Vector }

// Past is a wash of the past: how much dirt there was before, how much came off, in units of dirt, with their standard errors.
type Past struct{ Before, BeforeError, Off, OffError float64 }

// Recovery is what a wash can be expected to change; negative ITT and fuel flow are recovery. Half widths are of 90 %.
type Recovery struct {
	Dirt, DirtError   float64 // units of the signature
	Share, ShareError float64
	Washes            int // that the share was learned from
	Value, Half       Vector
	Text              string
}

// The prior of the share, and the largest share: common practice, no source.
const (
	priorShare = 0.7
	priorError = 0.2
	spread     = 0.15 // how much washes of one engine differ
	z90        = 1.6449
)

// Amount is how much dirt is in a change: weighted least squares along the signature. Reason: SIGNATURE_INVALID.
func Amount(c Change, signature Vector) (units, standardError float64, err error) {
	top, bottom := 0.0, 0.0
	for i := range 3 {
		if !(c.Error[i] > 0 && c.Error[i] < 1e6 && math.Abs(c.Value[i]) < 1e6 && math.Abs(signature[i]) < 1e6) {
			return 0, 0, fault.Precondition("LEVEL_UNKNOWN", "A change of %v with errors of %v says nothing of dirt. Take more readings.", c.Value, c.Error)
		}
		w := 1 / (c.Error[i] * c.Error[i])
		top, bottom = top+w*c.Value[i]*signature[i], bottom+w*signature[i]*signature[i]
	}
	if !(bottom > 0) {
		return 0, 0, fault.Precondition("SIGNATURE_INVALID", "The direction of dirt is nothing. Enter it in the engine model.")
	}
	return top / bottom, 1 / math.Sqrt(bottom), nil
}

// Share is the share that a wash takes off, learned from the engine's washes: a normal prior, and each wash an observation with
// its own error.
func Share(washes []Past) (share, standardError float64, used int) {
	mean, precision := priorShare, 1/(priorError*priorError)
	for _, w := range washes {
		if !(w.Before > 2*w.BeforeError && w.BeforeError >= 0 && w.OffError >= 0 && !math.IsInf(w.Before+w.OffError, 0) && !math.IsNaN(w.Off+w.OffError)) {
			continue // there was no dirt to speak of, so the wash says nothing of the share
		}
		s := w.Off / w.Before
		variance := (w.OffError*w.OffError+s*s*w.BeforeError*w.BeforeError)/(w.Before*w.Before) + spread*spread
		mean, precision = (mean*precision+s/variance)/(precision+1/variance), precision+1/variance
		used++
	}
	return math.Min(1, math.Max(0, mean)), math.Sqrt(1/precision + spread*spread), used
}

// Predict is what the next wash can be expected to change. Reasons: those of Amount.
func Predict(since Change, signature Vector, washes []Past) (Recovery, error) {
	units, unitsError, err := Amount(since, signature)
	if err != nil {
		return Recovery{}, err
	}
	out := Recovery{Dirt: math.Max(0, units), DirtError: unitsError}
	out.Share, out.ShareError, out.Washes = Share(washes)
	half := z90 * math.Hypot(out.Share*unitsError, out.Dirt*out.ShareError)
	for i := range 3 {
		out.Value[i], out.Half[i] = -out.Share*out.Dirt*signature[i]+0, half*math.Abs(signature[i])
	}
	out.Text = out.words(since)
	return out, nil
}

func (r *Recovery) words(since Change) string {
	from := fmt.Sprintf("%d washes of this engine", r.Washes)
	switch r.Washes {
	case 0:
		from = "no wash of this engine: unknown, prior only"
	case 1:
		from = "1 wash of this engine"
	}
	if r.Dirt < z90*r.DirtError {
		return fmt.Sprintf("Since the last wash ITT changed by %+.1f °C, of which %+.2f ± %.2f units are dirt: not certainly any. A wash is not expected to change much.",
			since.Value[0], r.Dirt, z90*r.DirtError)
	}
	return fmt.Sprintf("Since the last wash ITT changed by %+.1f °C, of which %.2f ± %.2f units are dirt; "+
		"a wash takes %.0f %% off (± %.0f, from %s): ITT %+.1f °C, 90 %% interval %+.1f to %+.1f.",
		since.Value[0], r.Dirt, z90*r.DirtError, 100*r.Share, 100*z90*r.ShareError, from, r.Value[0], r.Value[0]-r.Half[0], r.Value[0]+r.Half[0])
}
