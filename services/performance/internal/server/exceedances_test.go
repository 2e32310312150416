package server_test

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

const recordedFact, closedFact = "coldsection.performance.exceedance.recorded.v1", "coldsection.performance.exceedance.closed.v1"

// charted adds a chart of running engines, and one of torque that no reading of these tests reaches.
func charted(m *performancev1.EngineModel) {
	for id, p := range map[string]performancev1.Parameter{"itt-running": performancev1.Parameter_PARAMETER_ITT, "torque-running": performancev1.Parameter_PARAMETER_TORQUE} {
		chart := &performancev1.ExceedanceChart{Id: id, Parameter: p, Condition: "running", ResetSeconds: 60, LongestGapSeconds: 10, Document: paper("Chart of " + id)}
		for _, z := range m.GetExceedanceCharts()[0].GetZones() {
			moved := zone(z.GetId(), z.GetSeverity(), z.GetCorners()[0].GetDurationSeconds(), z.GetCorners()[0].GetValue())
			if p == performancev1.Parameter_PARAMETER_TORQUE {
				for _, c := range moved.GetCorners() {
					c.Value += 40000
				}
			}
			chart.Zones = append(chart.Zones, moved)
		}
		m.ExceedanceCharts = append(m.ExceedanceCharts, chart)
	}
}

func (b bench) exceedances(filter string) []*performancev1.EngineExceedance {
	b.t.Helper()
	return of(b.ListEngineExceedances(b.as("viewer"), &performancev1.ListEngineExceedancesRequest{Parent: engineName, Filter: filter, OrderBy: "exceed_time"})).done(b.t).GetEngineExceedances()
}

func (b bench) assessment() *performancev1.Assessment {
	b.t.Helper()
	return of(b.GetAssessment(b.as("viewer"), &performancev1.GetAssessmentRequest{Name: engineName + "/assessment"})).done(b.t)
}

// hot is the reading of an hour with another ITT.
func hot(m *performancev1.EngineModel, hours int, itt string) *performancev1.CreateReadingRequest {
	r := newReading(m, hours).GetReading()
	r.Itt = in(itt, "Cel")
	return &performancev1.CreateReadingRequest{Parent: engineName, Reading: r}
}

func (b bench) closing(e *performancev1.EngineExceedance) *performancev1.CloseEngineExceedanceRequest {
	return &performancev1.CloseEngineExceedanceRequest{Name: e.GetName(), Reason: "Inspected by the demonstration manual, entry 7 (demonstration only)."}
}

// A reading beyond a chart is recorded once, however often its engine is worked out; it comes before everything else that is said
// of the engine; only quality closes it.
func TestAReadingBeyondItsChartStaysUntilQualityClosesIt(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(charted)
		of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: siTable(m, 30)})).done(t)
		if found := b.exceedances(""); len(found) != 0 || b.assessment().GetExceedanceNotice() != "" {
			t.Fatalf("%v", found)
		}
		of(b.CreateReading(b.analyst(), hot(m, 0, "835"))).done(t)
		for _, r := range b.readings()[:2] { // each decision works the engine out anew
			of(b.ExcludeReading(b.analyst(), &performancev1.ExcludeReadingRequest{Name: r.GetName(), Reason: "wet probe"})).done(t)
		}
		found := b.exceedances(`state = "OPEN" AND source = "READING"`)
		if len(found) != 1 || b.facts(recordedFact) != 1 {
			t.Fatalf("%d facts, %v", b.facts(recordedFact), found)
		}
		e := found[0]
		if e.GetVerdict() != performancev1.EngineExceedance_CANNOT_TELL || e.GetZone() != "" || e.GetPossibleZone() != "B" || e.GetAction() != "invented action B" ||
			e.GetChart() != "itt-running" || e.GetModelRevision() != 1 || e.GetPeak().GetValue() != 835 || e.GetDocument().GetTitle() != "Chart of itt-running (demonstration only)" {
			t.Errorf("%v", e)
		}
		now := b.assessment()
		if now.GetLevel() != performancev1.ConditionLevel_CONDITION_LEVEL_ACT || !slices.Equal(now.GetOpenExceedances(), []string{e.GetName()}) ||
			!strings.HasPrefix(now.GetSummary(), "Action by the approved maintenance data is required") || !strings.Contains(now.GetExceedanceNotice(), "perhaps zone B") {
			t.Errorf("%v", now)
		}
		advice := of(b.AdviseInterval(b.analyst(), &performancev1.AdviseIntervalRequest{Name: engineName})).done(t)
		if advice.GetCautions()[0] != now.GetExceedanceNotice() || len(advice.GetCautions()) < 2 {
			t.Errorf("%q", advice.GetCautions())
		}
		of(b.CloseEngineExceedance(b.analyst(), b.closing(e))).refused(t, "ROLE_MISSING")
		stale := b.closing(e)
		stale.Etag = "x"
		of(b.CloseEngineExceedance(b.as("quality"), stale)).refused(t, "ETAG_MISMATCH")
		closed := of(b.CloseEngineExceedance(b.as("quality"), b.closing(e))).done(t)
		if closed.GetState() != performancev1.EngineExceedance_CLOSED || closed.GetClosePerson() != "people/quality" || closed.GetCloseTime() == nil || b.facts(closedFact) != 1 {
			t.Errorf("%v", closed)
		}
		of(b.CloseEngineExceedance(b.as("quality"), b.closing(e))).refused(t, "EXCEEDANCE_CLOSED")
		if now := b.assessment(); now.GetExceedanceNotice() != "" || len(now.GetOpenExceedances()) != 0 || now.GetLevel() == performancev1.ConditionLevel_CONDITION_LEVEL_ACT {
			t.Errorf("%v", now)
		}
		of(b.ExcludeReading(b.analyst(), &performancev1.ExcludeReadingRequest{Name: b.readings()[2].GetName(), Reason: "wet probe"})).done(t)
		if found := b.exceedances(""); len(found) != 1 || found[0].GetState() != performancev1.EngineExceedance_CLOSED {
			t.Errorf("closed ones stay, once: %v", found)
		}
		trend := of(b.GetTrend(b.as("viewer"), &performancev1.GetTrendRequest{Name: trendName})).done(t)
		drawn := of(b.RenderTrend(b.as("viewer"), &performancev1.RenderTrendRequest{Name: trendName})).done(t)
		if len(trend.GetExceedances()) != 1 || !bytes.Contains(drawn.GetContent(), []byte("E exceedance")) || count(t, drawn.GetContent())["event"] != 3 {
			t.Errorf("%v", trend.GetExceedances())
		}
	})
}

// The same readings in any order make the same exceedances; samples closer than the reset time are one; a start's own chart is not for
// a running engine.
func TestExceedancesDoNotDependOnTheOrderOfArrival(t *testing.T) {
	var told []string
	for _, order := range [][]int{{0, 1, 2, 3}, {3, 2, 1, 0}, {2, 0, 3, 1}} {
		benches(t, func(t *testing.T, b bench) {
			m := b.withModel(charted)
			readings := []*performancev1.CreateReadingRequest{hot(m, 9, "850"), hot(m, 7, "880"), hot(m, 5, "804.9"), hot(m, 3, "812")}
			for _, i := range order {
				of(b.CreateReading(b.analyst(), readings[i])).done(t)
			}
			var got []string
			for _, e := range b.exceedances("") {
				got = append(got, e.GetName()+e.GetZone()+e.GetPossibleZone()+strings.Join(e.GetEvidence(), " "))
			}
			if told == nil {
				told = got
			}
			if len(got) != 3 || !slices.Equal(got, told) {
				t.Errorf("%v: %v, want %v", order, got, told)
			}
		})
	}
}

func TestSamplesOfOneEventAreOne(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(charted)
		for i, itt := range []string{"820", "840", "825"} {
			req := hot(m, 4, itt)
			req.Reading.ReadTime.Seconds += int64(20 * i)
			of(b.CreateReading(b.analyst(), req)).done(t)
		}
		found := b.exceedances("")
		if len(found) != 1 || len(found[0].GetEvidence()) != 3 || found[0].GetPeak().GetValue() != 840 || found[0].GetPossibleZone() != "B" {
			t.Errorf("%v", found)
		}
		if n := b.facts(recordedFact); n != 2 { // recorded, and severer
			t.Errorf("%d facts", n)
		}
	})
}

// A correction puts what rests on the wrong reading in doubt; it stays open, and the right reading of the same time belongs to it.
func TestACorrectedReadingClearsNothing(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(charted)
		of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: siTable(m, 30)})).done(t)
		wrong := of(b.CreateReading(b.analyst(), hot(m, 0, "845"))).done(t)
		fix := newReading(m, 0)
		fix.Name, fix.Reading.Itt = wrong.GetName(), in("871", "Cel")
		of(b.CorrectReading(b.analyst(), fix)).done(t)
		found := b.exceedances(`state = "OPEN"`)
		if len(found) != 1 || len(found[0].GetEvidence()) != 2 || found[0].GetEvidence()[0] != wrong.GetName() || found[0].GetZone() != "C" {
			t.Fatalf("%v", found)
		}
		if !strings.Contains(found[0].GetDoubt(), "was corrected by") || !strings.Contains(b.assessment().GetExceedanceNotice(), "in doubt") {
			t.Errorf("%v", found)
		}
	})
}

// Lower zones in a new revision make an open exceedance severer; higher ones make it no milder.
func TestNewEngineDataMakeAnExceedanceSevererOnly(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(charted)
		of(b.CreateReading(b.analyst(), hot(m, 9, "820"))).done(t)
		for i, c := range []struct {
			moved float64
			zone  string
		}{{-60, "C"}, {300, "C"}} {
			now := of(b.GetEngineModel(b.analyst(), &performancev1.GetEngineModelRequest{Name: modelName})).done(t)
			for _, chart := range now.GetExceedanceCharts() {
				for _, z := range chart.GetZones() {
					for _, corner := range z.GetCorners() {
						corner.Value += c.moved
					}
				}
			}
			of(b.UpdateEngineModel(b.analyst(), &performancev1.UpdateEngineModelRequest{EngineModel: now})).done(t)
			of(b.CreateReading(b.analyst(), hot(m, 5-i, "700"))).done(t)
			found := b.exceedances(`exceed_time < "` + morning.Add(-8*time.Hour).Format(time.RFC3339) + `"`)
			if len(found) != 1 || found[0].GetPossibleZone() != c.zone || found[0].GetModelRevision() != 2 {
				t.Errorf("%+v: %v", c, found)
			}
		}
	})
}

// entered are a peak and duration as somebody wrote them down.
func entered(peak, unit, seconds string) *performancev1.CreateEngineExceedanceRequest {
	req := &performancev1.CreateEngineExceedanceRequest{
		Parent: engineName, Chart: "itt-start", ExceedTime: stampAt(2), Peak: in(peak, unit), Note: "start after a tailwind landing (demonstration only)",
	}
	if seconds != "" {
		req.Duration = in(seconds, "s")
	}
	return req
}

// The zones of a start's chart, read off by hand: 840 °C (1,544 °F) for 3 s is B.
func TestAnExceedanceIsEnteredByHand(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		for _, c := range []struct {
			peak, unit, seconds, zone, possible string
			verdict                             performancev1.EngineExceedance_Verdict
		}{
			{"840", "Cel", "3", "B", "B", performancev1.EngineExceedance_ZONE_MET},
			{"1544", "[degF]", "3", "B", "B", performancev1.EngineExceedance_ZONE_MET},
			{"840", "Cel", "2.9", "", "", performancev1.EngineExceedance_NO_ZONE},
			{"840", "Cel", "", "", "B", performancev1.EngineExceedance_CANNOT_TELL},
			{"700", "Cel", "60", "", "", performancev1.EngineExceedance_NO_ZONE},
			{"1100", "Cel", "1", "C", "C", performancev1.EngineExceedance_CANNOT_TELL},
		} {
			e := of(b.CreateEngineExceedance(b.as("technician"), entered(c.peak, c.unit, c.seconds))).done(t)
			if e.GetZone() != c.zone || e.GetPossibleZone() != c.possible || e.GetVerdict() != c.verdict || e.GetSource() != performancev1.EngineExceedance_PERSON ||
				e.GetPerson() != "people/technician" || (e.GetDuration() != nil) != (c.seconds != "") {
				t.Errorf("%+v: %v", c, e)
			}
		}
		now := b.assessment() // there is not one reading
		if now.GetLevel() != performancev1.ConditionLevel_CONDITION_LEVEL_ACT || len(now.GetOpenExceedances()) != 6 {
			t.Errorf("%v", now)
		}
		if got := of(b.GetEngineExceedance(b.as("viewer"), &performancev1.GetEngineExceedanceRequest{Name: now.GetOpenExceedances()[0]})).done(t); got.GetEtag() == "" {
			t.Errorf("%v", got)
		}
	})
}

func TestExceedancesThatAreRefused(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		future, unknown, nowhere := entered("840", "Cel", "3"), entered("840", "Cel", "3"), entered("840", "Cel", "3")
		future.ExceedTime, unknown.Chart, nowhere.Parent = stampAt(-1), "none", "engines/none"
		for reason, req := range map[string]*performancev1.CreateEngineExceedanceRequest{
			"TIME_IN_FUTURE": future, "EXCEEDANCE_CHART_UNKNOWN": unknown, "ENGINE_UNKNOWN": nowhere, "UNIT_MISMATCH": entered("840", "kg", "3"),
			"VALUE_NOT_A_NUMBER": entered("NaN", "Cel", "3"), "TRACE_INVALID": entered("840", "Cel", "-1"), "UNIT_UNKNOWN": entered("840", "centigrade", "3"),
		} {
			of(b.CreateEngineExceedance(b.as("technician"), req)).refused(t, reason)
		}
		of(b.CreateEngineExceedance(b.as("viewer"), entered("840", "Cel", "3"))).refused(t, "ROLE_MISSING")
		of(b.CloseEngineExceedance(b.as("quality"), &performancev1.CloseEngineExceedanceRequest{Name: engineName + "/engineExceedances/none", Reason: "x"})).refused(t, "NOT_FOUND")
		if found := b.exceedances(""); len(found) != 0 || b.facts(recordedFact) != 0 {
			t.Errorf("%v", found)
		}
	})
}
