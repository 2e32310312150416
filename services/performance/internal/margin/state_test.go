package margin

import (
	"math"
	"testing"

	"coldsection.example/services/performance/internal/baseline"
)

// noisy are readings of a level with noise that remembers.
func noisy(n int, at, phi float64, seed uint64) []Reading {
	var out []Reading
	for _, s := range flown(n, 3, func(float64) float64 { return at }, 3, phi, seeded(seed)) {
		out = append(out, Reading{Sample: s, Deviation: baseline.Values{ITT: s.ITT, Ng: s.ITT / 30, Fuel: s.ITT / 10}, Theta: 0.95})
	}
	return out
}

// The 90 % interval of a present level holds the truth in at least 85 of 100, with noise that remembers too.
func TestALevelCoversTheTruth(t *testing.T) {
	for _, phi := range []float64{0, 0.4} {
		covered := 0
		const runs = 1000
		for seed := range uint64(runs) {
			s := StateOf(noisy(120, 12, phi, seed), Noise{})
			if math.Abs(s.ITT.Value-12) <= s.ITT.Half {
				covered++
			}
		}
		if share := float64(covered) / runs; share < 0.85 || share > 0.97 {
			t.Errorf("φ %g: covered in %.3f", phi, share)
		}
	}
}

func TestFewReadingsAreTakenCarefully(t *testing.T) {
	one := StateOf(noisy(1, 12, 0, 1), Noise{})
	if want := z90 * Careful.ITT; one.Readings != 1 || math.Abs(one.ITT.Half-want) > 1e-9 || one.Theta != 0.95 {
		t.Errorf("%+v, want a half width of %.2f", one, want)
	}
	if known := StateOf(noisy(1, 12, 0, 1), Noise{ITT: 1}); math.Abs(known.ITT.Half-z90) > 1e-9 {
		t.Errorf("%+v", known)
	}
	if none := StateOf(nil, Noise{}); none.Readings != 0 {
		t.Errorf("%+v", none)
	}
}
