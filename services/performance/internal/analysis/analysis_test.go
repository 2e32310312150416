package analysis_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/performance/internal/baseline"
)

var start = time.Date(2025, 1, 1, 8, 0, 0, 0, time.UTC)

// clean is an invented engine that obeys ideal similarity exactly.
func clean(altitude, oat, torque float64) baseline.Point {
	p := baseline.Point{Altitude: altitude, OAT: oat, Np: 1700, Torque: torque}
	delta, theta := math.Pow(1-0.0065*altitude/288.15, 5.25588), (oat+273.15)/288.15
	x := p.Power() / (delta * math.Sqrt(theta)) / 500
	p.ITT, p.Ng, p.Fuel = (800+250*x)*theta-273.15, (78+20*x)*math.Sqrt(theta), (60+150*x)*delta*math.Sqrt(theta)
	return p
}

func model(t testing.TB) *baseline.Model {
	t.Helper()
	var table []baseline.Point
	for _, h := range []float64{0, 2000, 4000} {
		for _, oat := range []float64{-20, 0, 20, 35} {
			for _, q := range []float64{900, 1300, 1700, 2100} {
				table = append(table, clean(h, oat, q))
			}
		}
	}
	m, err := baseline.Fit(table, baseline.Ideal)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// fly makes n daily readings with noise of 3 °C about an ITT deviation that depends on the day.
func fly(seed uint64, n int, deviation func(day int) float64) []analysis.Reading {
	random := rand.New(rand.NewPCG(seed, 7))
	var out []analysis.Reading
	for day := range n {
		p := clean(1000+random.Float64()*2500, -10+random.Float64()*40, 1000+random.Float64()*1000)
		p.ITT += deviation(day) + 3*random.NormFloat64()
		out = append(out, analysis.Reading{
			ID: time.Duration(day).String(), At: start.AddDate(0, 0, day), Hours: 1000 + 3*float64(day), Point: p,
		})
	}
	return out
}

func wash(day int) []analysis.Event {
	return []analysis.Event{{At: start.AddDate(0, 0, day).Add(-time.Hour), Hours: 1000 + 3*float64(day), Kind: "recovery_wash", WorkOrder: "workOrders/w"}}
}

func TestASlowRiseIsAdvisedOnceAndALevelOneNever(t *testing.T) {
	m := model(t)
	false1 := 0
	for seed := range uint64(20) {
		false1 += len(analysis.Analyse(m, fly(seed, 540, func(int) float64 { return 2 }), nil, analysis.Rules{}).Advices)
	}
	if false1 > 8 { // 20 engines of 540 days, one false advice in 2,700 days: 4 are expected
		t.Errorf("%d false advices on 20 healthy engines in 540 days", false1)
	}
	r := analysis.Analyse(m, live(1, 400, 0, fouling, slow(0.008)), nil, analysis.Rules{})
	if len(r.Advices) != 1 || r.Advices[0].Cause != "trend" {
		t.Fatalf("advices %+v", r.Advices)
	}
	if day := r.Advices[0].At.Sub(start).Hours() / 24; day < onset+80 || day > onset+160 { // 6.6 °C is reached after 80 days
		t.Errorf("advised on day %.0f", day)
	}
}

// ITT that rises alone is no dirt: a wash would not cure it, so it is told and no wash is advised.
func TestAWashIsNotAdvisedForWhatItWouldNotCure(t *testing.T) {
	m := model(t)
	for name, readings := range map[string][]analysis.Reading{
		"slow rise of ITT alone": live(1, life, 0.3, probe, slow(0.02)), "step of ITT": live(2, life, 0.3, probe, step(1.4)),
	} {
		r := analysis.Analyse(m, readings, washes(life), analysis.Rules{})
		if len(r.Advices) != 0 || len(r.Shifts) == 0 {
			t.Errorf("%s: advices %+v, shifts %+v", name, r.Advices, r.Shifts)
		}
	}
	readings := live(3, life, 0.3, probe, func(day int) float64 { return 1.2*step(1)(day) + 0.02*float64(max(0, day-onset)) })
	r := analysis.Analyse(m, readings, washes(life), analysis.Rules{})
	if len(r.HeldBack) == 0 || !strings.Contains(strings.Join(r.HeldBack[0].Reasons, "; "), "answer it first") {
		t.Fatalf("held back %+v", r.HeldBack)
	}
	answered := append(washes(life), analysis.Event{At: start.AddDate(0, 0, onset+20), Kind: "sensor_work"})
	if r = analysis.Analyse(m, live(4, life, 0, fouling, slow(0.02)), answered, analysis.Rules{}); len(r.Advices) == 0 {
		t.Errorf("after the answer no wash was advised: %+v", r.HeldBack)
	}
}

// 200 washes of no effect: at most 5 % are called recovered. 200 of 15 °C: at least 95 % are found.
func TestCoverageOfTheRecovery(t *testing.T) {
	m := model(t)
	count := func(gain float64) (recovered, covered int) {
		for seed := range uint64(200) {
			readings := fly(1000+seed, 90, func(day int) float64 {
				if day >= 45 {
					return 20 - gain
				}
				return 20
			})
			got := analysis.Analyse(m, readings, wash(45), analysis.Rules{}).Recoveries[0]
			if got.Outcome == analysis.Recovered {
				recovered++
			}
			if math.Abs(got.ITT.Value+gain) <= got.ITT.Half {
				covered++
			}
		}
		return recovered, covered
	}
	none, covered := count(0)
	if none > 10 {
		t.Errorf("%d of 200 washes of no effect were called recovered", none)
	}
	if covered < 160 || covered > 194 {
		t.Errorf("90 %% intervals covered %d of 200", covered)
	}
	if found, _ := count(15); found < 190 {
		t.Errorf("%d of 200 recoveries of 15 °C were found", found)
	}
}

func TestMistakesAreHeldWithTheirReason(t *testing.T) {
	m := model(t)
	readings := fly(4, 60, func(int) float64 { return 0 })
	readings[20].Point.OAT = readings[20].Point.OAT*9/5 + 32 + 40 // far out even as °F
	readings[21].Point = clean(1500, 25, 1500)
	readings[21].Point.OAT = 77
	readings[30].Point.ITT += 40
	doubled := readings[40]
	doubled.ID = "again"
	r := analysis.Analyse(m, append(readings, doubled), nil, analysis.Rules{})
	reasons := map[string]int{}
	for _, v := range r.Verdicts {
		reasons[v.Reason]++
	}
	if reasons["OAT_LOOKS_LIKE_FAHRENHEIT"] < 1 || reasons["DUPLICATE"] != 1 || reasons["FAR_FROM_NEIGHBOURS"] < 1 {
		t.Errorf("reasons %v", reasons)
	}
}

func TestTooLittleIsAnAnswer(t *testing.T) {
	m := model(t)
	for n := range 3 {
		r := analysis.Analyse(m, fly(5, n, func(int) float64 { return 0 }), wash(1), analysis.Rules{})
		if r.Recoveries[0].Outcome != analysis.CannotTell || len(r.Advices) != 0 {
			t.Errorf("%d readings: %+v", n, r.Recoveries[0])
		}
	}
}

// ARL of one-sided CUSUM charts: Montgomery's table for k = 0.5 gives about 930 for h = 5 one-sided (465 two-sided).
func TestAverageRunLength(t *testing.T) {
	if got := analysis.ARL(5, 0.5); math.Abs(got-938) > 15 {
		t.Errorf("ARL(5, 0.5) = %.0f", got)
	}
	for _, arl := range []float64{100, 2700, 50000} {
		if h := analysis.Threshold(arl, 1); math.Abs(analysis.ARL(h, 1)/arl-1) > 1e-6 {
			t.Errorf("threshold %v gives %v, want %v", h, analysis.ARL(h, 1), arl)
		}
	}
}
