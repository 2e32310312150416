package analysis

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// plainOutlier is Hampel's rule without a shortcut.
func plainOutlier(window []float64, itt, noise float64) bool {
	if len(window) < 5 {
		return false
	}
	sorted := slices.Clone(window)
	m := middle(sorted)
	for i := range sorted {
		sorted[i] = math.Abs(sorted[i] - m)
	}
	return math.Abs(itt-m) > 4*noise && math.Abs(itt-m) > 3*1.4826*middle(sorted)
}

// What is settled by the neighbours' range alone is what the medians say.
func TestOutliersAreThoseOfTheMedians(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 1))
	var n neighbours
	var window []float64
	marked, found := 0, 0
	for range 20_000 {
		itt := 3 * random.NormFloat64()
		if random.IntN(20) == 0 {
			itt += 25 * random.NormFloat64()
		}
		want := marked < 2 && plainOutlier(window, itt, 3)
		if _, out := n.outlier(itt, 3); out != want {
			t.Fatalf("%v after %v: %v instead of %v", itt, window, out, want)
		}
		if want {
			marked, found = marked+1, found+1
			continue
		}
		if window, marked = append(window, itt), 0; len(window) > 7 {
			window = window[1:]
		}
	}
	if found < 100 {
		t.Errorf("only %d outliers were tried", found)
	}
}

// The bound by the noise alone never hides a contrast that passes the limit.
func TestTheQuickBoundHidesNoContrast(t *testing.T) {
	g := signaturesOf(Rules{})
	hidden, passed := 0, 0
	for seed := range uint64(40) {
		d := series(seed, 400, 0.33, 0.3, 0.9)
		s := learned(d)
		quick, whole := longRunOf(s.mean()), longRunOf(s.mean())
		if whole.known = false; !quick.known {
			t.Fatalf("%v has no inverse", quick.covariance)
		}
		var h history
		for i, v := range d {
			if i == 300 {
				h.wash()
			}
			h.add(float64(i), v.plus(float64(seed)/20*float64(i/200), g.dirt))
			if i < 150 {
				continue
			}
			for _, c := range contrasts {
				split := h.N - c.after
				end := split - c.gap
				got, want := h.contrast(g, end-20, end, split, &quick, 12), h.contrast(g, end-20, end, split, &whole, 12)
				switch {
				case want > 12:
					passed++
				case got == 0 && want > 0:
					hidden++
				}
				if want > 12 && got != want || got != 0 && got != want {
					t.Fatalf("%+v at %d: %v instead of %v", c, i, got, want)
				}
			}
		}
	}
	if hidden < 1000 || passed < 1000 {
		t.Errorf("%d were settled by the bound, %d passed: too few to tell", hidden, passed)
	}
}

// M⁻¹·M·v is v, for the covariances that come up, and what is none has no inverse.
func TestTheInverseOfACovariance(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 3))
	for range 1000 {
		var m matrix
		for range 5 {
			m = m.outer(1, vector{4 * random.NormFloat64(), 0.1 * random.NormFloat64(), random.NormFloat64()})
		}
		inv, ok := m.inverse()
		l, positive := m.cholesky()
		v := vector{random.NormFloat64(), random.NormFloat64(), random.NormFloat64()}
		if want := l.chi2(v); ok != positive || ok && math.Abs(inv.square(&v)/want-1) > 1e-6 {
			t.Fatalf("%v: χ² %v instead of %v, %v", m, inv.square(&v), want, ok)
		}
	}
	for _, m := range []matrix{{}, {1, 2, 0, 1, 0, 1}, {-1, 0, 0, -1, 0, 1}, {1, 0, 0, 1, 0, -1}, {math.NaN(), 0, 0, 1, 0, 1}} {
		if inv, ok := m.inverse(); ok {
			t.Errorf("%v has the inverse %v", m, inv)
		}
	}
}

// The newest readings are kept in order however often their room is used again, also from a tracker that was written down.
func TestTheNewestReadingsAreKeptInOrder(t *testing.T) {
	tracker := NewTracker(Rules{})
	for i := range 1000 {
		tracker.late(raw{Speed: float64(i)})
		if i == 137 {
			tracker.Lately, tracker.room = slices.Clone(tracker.Lately), nil
		}
		for k, r := range tracker.Lately {
			if want := float64(i - len(tracker.Lately) + 1 + k); r.Speed != want || len(tracker.Lately) != min(i+1, windowCount) {
				t.Fatalf("reading %d: place %d of %d holds %v", i, k, len(tracker.Lately), r.Speed)
			}
		}
	}
}

func TestReadingsComeByTimeThenID(t *testing.T) {
	at := time.Date(2026, time.March, 1, 0, 0, 0, 0, time.UTC)
	given := []Reading{{ID: "c", At: at.Add(time.Hour)}, {ID: "b", At: at}, {ID: "a", At: at}}
	got := ""
	for _, r := range sorted(given) {
		got += r.ID
	}
	if got != "abc" || given[0].ID != "c" {
		t.Errorf("%s, the given ones begin with %s", got, given[0].ID)
	}
}
