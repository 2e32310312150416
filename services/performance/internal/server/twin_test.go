package server_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/cycle"
)

// pairDays is how long both engines of the aircraft fly; something happens on the day pairOnset.
const pairDays, pairOnset = 100, 60

// flyPair are a hundred days of both engines of an aircraft, of which the second is worked out first: the air temperature that
// both are logged with reads so much less from the onset on, and the first engine leaks so much of its air.
func (b bench) flyPair(coldBy, leak float64) {
	b.t.Helper()
	b.flyBoth(pairDays, func(day int) float64 { return coldBy * float64(min(1, day/pairOnset)) }, func(day int) float64 { return leak * float64(min(1, day/pairOnset)) })
}

// flyBoth are days of both engines of an aircraft, with what their air temperature reads too cold by and what the first engine leaks.
func (b bench) flyBoth(days int, coldBy, leak func(day int) float64) {
	b.t.Helper()
	engine, err := cycle.New(cycle.Demonstration()[0])
	if err != nil {
		b.t.Fatal(err)
	}
	for _, e := range []int{1, 0} {
		random := rand.New(rand.NewPCG(6, uint64(e)))
		var csv strings.Builder
		csv.WriteString("engine_serial,time_utc,pressure_altitude_m,oat_c,airspeed_kt,torque_nm,propeller_speed_rpm,ng_pct,itt_c,fuel_flow_kg_h\n")
		for day := range days {
			c := cycle.Standard(1000, 0, float64(day%7)-3)
			c.PropellerSpeed = 1700
			health := cycle.Health{}
			if e == 0 {
				health.Bleed = leak(day)
			}
			p, err := engine.Solve(c, health, cycle.Power(0.8*engine.DesignPower()), cycle.Point{})
			if err != nil {
				b.t.Fatal(err)
			}
			_, _ = fmt.Fprintf(&csv, "%s,%s,1000,%.3f,0,%.3f,1700,%.3f,%.3f,%.3f\n", known[e].GetSerial(), dayOf(day, days).Add(time.Duration(e)*time.Minute).Format(time.RFC3339),
				c.OAT-coldBy(day), p.Torque(), p.Ng+0.1*random.NormFloat64(), p.ITT+2*random.NormFloat64(), p.Fuel*(1+0.006*random.NormFloat64()))
		}
		if got := of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: csv.String()})).done(b.t); got.GetRowsTaken() != int32(days) {
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

// joined is a register in which engine two came to the aircraft of engine one on a day.
type joined struct {
	register

	day time.Time
}

func (j joined) ListFittings(_ context.Context, req *compliancev1.ListFittingsRequest) (*compliancev1.ListFittingsResponse, error) {
	first := &date.Date{Year: 2020, Month: 1, Day: 1}
	if strings.Contains(req.GetFilter(), "engines/two") {
		first = &date.Date{Year: int32(j.day.Year()), Month: int32(j.day.Month()), Day: int32(j.day.Day())}
	}
	return &compliancev1.ListFittingsResponse{Fittings: []*compliancev1.Fitting{{Host: "aircraft/demo", InstallDate: first}}}, nil
}

// An engine that leaks while it is alone on its aircraft, and later reads a cold air temperature with its new twin: what the first change lacks
// is no reason to leave the twin out at the second.
func TestAnEngineThatWasAloneBeforeHasItsTwinLater(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		const days = 260
		b.app.Engines = joined{day: dayOf(100, days)}
		b.withModel(nil)
		b.flyBoth(days, func(day int) float64 { return 5 * float64(min(1, day/200)) }, func(day int) float64 { return 0.02 * float64(min(1, day/60)) })
		shifts := b.assessment().GetShifts()
		if len(shifts) < 2 {
			t.Fatalf("%v", shifts)
		}
		first, last := shifts[0].GetCauses()[0], shifts[len(shifts)-1].GetCauses()[0]
		if says(first.GetSupportingEvidence(), "engines/two") || says(first.GetOpposingEvidence(), "engines/two") {
			t.Errorf("the first change is held against an engine of another aircraft: %v", first)
		}
		if last.GetCause() != "air_data_indication" || !says(last.GetSupportingEvidence(), "engines/two") {
			t.Errorf("%v", shifts[len(shifts)-1])
		}
	})
}
