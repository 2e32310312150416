package analysis_test

import (
	"math"
	"slices"
	"testing"

	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/performance/internal/baseline"
)

// An engine whose leak raises Ng is the most probable cause by its own signature, and not by another engine's.
func TestAnEngineIsJudgedByItsOwnSignatures(t *testing.T) {
	m := model(t)
	own := baseline.Values{ITT: 6, Ng: 0.9, Fuel: -0.6}
	first := func(rules analysis.Rules) (right int) {
		for seed := range uint64(10) {
			r := analysis.Analyse(m, live(400+seed, life, 0.5, own, step(2)), washes(life), rules)
			i := slices.IndexFunc(r.Shifts, func(s analysis.Shift) bool { return !s.DetectedAt.Before(start.AddDate(0, 0, onset)) })
			if i >= 0 && r.Shifts[i].Causes[0].Name == "bleed_leak" {
				right++
			}
		}
		return right
	}
	if right := first(analysis.Rules{}); right > 0 {
		t.Errorf("%d of 10 are taken for another engine's leak", right)
	}
	if right := first(analysis.Rules{Signatures: map[string]baseline.Values{"bleed_leak": own}}); right < 8 {
		t.Errorf("%d of 10 are taken for the engine's own leak", right)
	}
}

// The size that a signature is written down for says nothing: a tenth of it gives the same analysis.
func TestASignatureIsADirection(t *testing.T) {
	m := model(t)
	with := func(share float64) analysis.Result {
		rules := analysis.Rules{Signatures: map[string]baseline.Values{"fouling": {ITT: 9 * share, Ng: -0.2 * share, Fuel: 0.9 * share}}}
		return analysis.Analyse(m, live(7, life, 0.5, leak, step(1.3)), washes(life), rules)
	}
	whole, tenth := with(1), with(0.1)
	if len(whole.Shifts) == 0 || len(whole.Shifts) != len(tenth.Shifts) {
		t.Fatalf("%d shifts and %d", len(whole.Shifts), len(tenth.Shifts))
	}
	for i, s := range whole.Shifts {
		for j, c := range s.Causes {
			if got := tenth.Shifts[i].Causes[j]; got.Name != c.Name || math.Abs(got.Probability-c.Probability) > 1e-6 {
				t.Errorf("%s %v, written smaller %s %v", c.Name, c.Probability, got.Name, got.Probability)
			}
		}
	}
}

// Nothing in a signature is as no signature.
func TestAnEmptySignatureIsTheDefault(t *testing.T) {
	m := model(t)
	a := analysis.Analyse(m, live(3, life, 0.5, leak, step(1.3)), washes(life), analysis.Rules{})
	b := analysis.Analyse(m, live(3, life, 0.5, leak, step(1.3)), washes(life), analysis.Rules{Signatures: map[string]baseline.Values{"fouling": {}}})
	if len(a.Shifts) == 0 || len(a.Shifts) != len(b.Shifts) || a.Shifts[0].Causes[0].Probability != b.Shifts[0].Causes[0].Probability {
		t.Errorf("%+v, %+v", a.Shifts, b.Shifts)
	}
}
