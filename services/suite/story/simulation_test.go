package story

import (
	"math"
	"strings"
	"testing"
	"time"
)

func TestTheEngineIsTheSameEveryTime(t *testing.T) {
	a, b := newSimulation(), newSimulation()
	if a.history() != b.history() || a.after() != b.after() {
		t.Error("two runs give different readings")
	}
}

func TestHistoryCoversEighteenMonthsBeforeTheBeginning(t *testing.T) {
	lines := strings.Split(strings.TrimSpace(newSimulation().history()), "\n")
	if len(lines) < 400 || len(lines) > 560 {
		t.Errorf("%d lines", len(lines))
	}
	columns := strings.Count(csvHeader, ",")
	for i, line := range lines[1:] {
		fields := strings.Split(line, ",")
		at, err := time.Parse("2006-01-02T15:04Z", fields[1])
		if len(fields) != columns+1 || err != nil || at.Before(historyFrom) || !at.Before(beginning) {
			t.Fatalf("line %d: %q, %v", i+2, line, err)
		}
	}
}

func TestDirtGrowsAndAWashTakesMostOfIt(t *testing.T) {
	for at := historyFrom; at.Before(weeksAfter); at = at.AddDate(0, 0, 1) {
		if d := dirtAt(at); d < 0 || d > 1 {
			t.Fatalf("dirt %g on %v", d, at)
		}
	}
	before, after := dirtAt(washDay.Add(-time.Hour)), dirtAt(washDay.Add(time.Hour))
	if before < 0.85 || math.Abs(after-leftByWash*before) > 0.01 {
		t.Errorf("dirt %g before and %g after the wash", before, after)
	}
	if late := dirtAt(weeksAfter); late <= after {
		t.Errorf("dirt %g after and %g six weeks later", after, late)
	}
}

// Similarity is what the correction of readings rests on: the same referred power gives the same referred temperature
// whatever the day, and a standard day at rest refers to itself.
func TestCleanEngineObeysSimilarity(t *testing.T) {
	standard := condition{oat: 15, propeller: 1700, torque: 2100}
	hot := standard
	hot.oat = 35
	theta := (35 + 273.15) / 288.15
	hot.torque = standard.torque * math.Sqrt(theta)
	a, b := clean(standard), clean(hot)
	if got, want := (b.itt+273.15)/theta, a.itt+273.15; math.Abs(got-want) > 1e-9 {
		t.Errorf("referred ITT %g K, want %g", got, want)
	}
	if got, want := b.ng/math.Sqrt(theta), a.ng; math.Abs(got-want) > 1e-9 {
		t.Errorf("referred Ng %g, want %g", got, want)
	}
	if got, want := b.fuel/math.Sqrt(theta), a.fuel; math.Abs(got-want) > 1e-9 {
		t.Errorf("referred fuel flow %g, want %g", got, want)
	}
}

func TestModelIsCompleteAndMarked(t *testing.T) {
	m := newSimulation().model()
	if !m.GetDemonstrationOnly() || !strings.Contains(m.GetDocument().GetTitle(), "demonstration only") || len(m.GetBaseline().GetPoints()) < 60 {
		t.Errorf("model %q, %d points, demonstration %t", m.GetDocument().GetTitle(), len(m.GetBaseline().GetPoints()), m.GetDemonstrationOnly())
	}
	for _, p := range m.GetBaseline().GetPoints() {
		if p.GetIttC() < 300 || p.GetIttC() > 1000 || p.GetNgPct() < 60 || p.GetNgPct() > 115 || p.GetFuelFlowKgH() < 40 {
			t.Fatalf("point %v is no engine", p)
		}
	}
}
