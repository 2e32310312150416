package server_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/cycle"
)

// pairDays is how long both engines of the aircraft fly; something happens on the day pairOnset.
const pairDays, pairOnset = 100, 60

// flyPair are a hundred days of both engines of an aircraft, of which the second is worked out first: the air temperature that
// both are logged with reads so much less from the onset on, and the first engine leaks so much of its air.
func (b bench) flyPair(coldBy, leak float64) {
	b.t.Helper()
	engine, err := cycle.New(cycle.Demonstration()[0])
	if err != nil {
		b.t.Fatal(err)
	}
	for _, e := range []int{1, 0} {
		random := rand.New(rand.NewPCG(6, uint64(e)))
		var csv strings.Builder
		csv.WriteString("engine_serial,time_utc,pressure_altitude_m,oat_c,airspeed_kt,torque_nm,propeller_speed_rpm,ng_pct,itt_c,fuel_flow_kg_h\n")
		for day := range pairDays {
			c := cycle.Standard(1000, 0, float64(day%7)-3)
			c.PropellerSpeed = 1700
			health, read := cycle.Health{}, c.OAT
			if day >= pairOnset {
				read -= coldBy
				if e == 0 {
					health.Bleed = leak
				}
			}
			p, err := engine.Solve(c, health, cycle.Power(0.8*engine.DesignPower()), cycle.Point{})
			if err != nil {
				b.t.Fatal(err)
			}
			_, _ = fmt.Fprintf(&csv, "%s,%s,1000,%.3f,0,%.3f,1700,%.3f,%.3f,%.3f\n", known[e].GetSerial(), dayOf(day, pairDays).Add(time.Duration(e)*time.Minute).Format(time.RFC3339),
				read, p.Torque(), p.Ng+0.1*random.NormFloat64(), p.ITT+2*random.NormFloat64(), p.Fuel*(1+0.006*random.NormFloat64()))
		}
		if got := of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: csv.String()})).done(b.t); got.GetRowsTaken() != pairDays {
			b.t.Fatalf("%v", got)
		}
	}
}

// shift is the newest change of engine one.
func (b bench) shift() *performancev1.Shift {
	b.t.Helper()
	shifts := of(b.GetAssessment(b.analyst(), &performancev1.GetAssessmentRequest{Name: engineName + "/assessment"})).done(b.t).GetShifts()
	if len(shifts) == 0 {
		b.t.Fatal("nothing was found")
	}
	return shifts[len(shifts)-1]
}

func says(words []string, part string) bool {
	return slices.ContainsFunc(words, func(w string) bool { return strings.Contains(w, part) })
}

// An air temperature that reads 5 °C low raises ITT by some 17 °C on both engines at once, which alone would look like dirt or a
// blocked inlet.
func TestAFaultThatBothEnginesShareIsNoEnginesOwn(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		b.flyPair(5, 0)
		s := b.shift()
		first := s.GetCauses()[0]
		if s.GetVerdict() != "named" || first.GetCause() != "air_data_indication" || !says(first.GetSupportingEvidence(), "engines/two") || first.GetNextCheck() == "" {
			t.Errorf("%v", s)
		}
		if !says(s.GetCauses()[1].GetOpposingEvidence(), "changed alike") {
			t.Errorf("%v", s.GetCauses()[1])
		}
		if last := s.GetSteps()[len(s.GetSteps())-1]; last.GetVerdict() != "named" || !strings.Contains(last.GetEvidence(), "changed alike") {
			t.Errorf("%v", last)
		}
	})
}

func TestAChangeOfOneEngineIsItsOwn(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		b.flyPair(0, 0.015)
		s := b.shift()
		if !says(s.GetCauses()[0].GetSupportingEvidence(), "did not change") || s.GetCauses()[0].GetCause() == "air_data_indication" {
			t.Errorf("%v", s)
		}
	})
}
