package server_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

const header = "engine_serial,time_utc,pressure_altitude_ft,oat_c,airspeed_kt,torque_lbf_ft,propeller_speed_rpm,ng_pct,itt_c,fuel_flow_lb_h\n"

func (b bench) load(csv string) answer[*performancev1.ImportReadingsResponse] {
	b.t.Helper()
	return of(b.ImportReadings(b.as("integrator"), &performancev1.ImportReadingsRequest{Csv: header + csv}))
}

func TestATableIsTakenRowByRow(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		const good = "DEMO-1,2026-09-01T06:00Z,6000,5,150,1300,1700,94.1,655,330\n"
		got := b.load(good +
			"DEMO-9,2026-09-01T07:00Z,6000,5,150,1300,1700,94.1,655,330\n" +
			"DEMO-1,2026-10-01T06:00Z,6000,5,150,1300,1700,94.1,655,330\n" +
			"DEMO-1,2026-09-02T06:00Z,6000,x,150,1300,1700,94.1,655,330\n" +
			"DEMO-1,2026-09-03T06:00Z,6000,5,150,1300,1700,94.1,955,330\n").done(t)
		if got.GetRowsTotal() != 5 || got.GetRowsTaken() != 2 || got.GetRowsHeld() != 1 || got.GetRowsKnown() != 0 {
			t.Errorf("%v", got)
		}
		var reasons []string
		for _, p := range got.GetProblems() {
			reasons = append(reasons, p.GetReason())
		}
		if want := "ENGINE_UNKNOWN READING_IN_FUTURE VALUE_NOT_A_NUMBER IMPLAUSIBLE"; strings.Join(reasons, " ") != want {
			t.Errorf("%v, want %s", reasons, want)
		}
		again := b.load(good).done(t)
		if again.GetRowsTaken() != 0 || again.GetRowsKnown() != 1 {
			t.Errorf("the same row again: %v", again)
		}
		of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: "engine_serial,time_utc,oat\n"})).refused(t, "HEADER_INVALID")
		of(b.ImportReadings(b.as("viewer"), &performancev1.ImportReadingsRequest{Csv: header + good})).refused(t, "ROLE_MISSING")
		list := of(b.ListReadings(b.as("viewer"), &performancev1.ListReadingsRequest{Parent: engineName, Filter: `state = "HELD"`})).done(t)
		if len(list.GetReadings()) != 1 || list.GetReadings()[0].GetStateText() == "" {
			t.Errorf("%v", list)
		}
	})
}

func TestReadingsThatAreRefused(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		b.read("future", func(r *performancev1.Reading) { r.ReadTime = timestamppb.New(morning.Add(time.Hour)) }).refused(t, "READING_IN_FUTURE")
		b.read("unset", func(r *performancev1.Reading) { r.ReadTime = timestamppb.New(time.Unix(0, 0)) }).refused(t, "READING_TOO_OLD")
		b.read("mismatch", func(r *performancev1.Reading) { r.Itt = in("655", "N.m") }).refused(t, "UNIT_MISMATCH")
		b.read("unit", func(r *performancev1.Reading) { r.Itt = in("655", "centigrade") }).refused(t, "UNIT_UNKNOWN")
		b.read("number", func(r *performancev1.Reading) { r.Itt = in("NaN", "Cel") }).refused(t, "VALUE_NOT_A_NUMBER")
		of(b.CreateReading(b.as("viewer"), &performancev1.CreateReadingRequest{Parent: engineName, Reading: &performancev1.Reading{}})).refused(t, "ROLE_MISSING")
		_, err := b.CreateReading(b.analyst(), &performancev1.CreateReadingRequest{Parent: "engines/none", Reading: proto.CloneOf(sample())})
		of(0, err).refused(t, "ENGINE_UNKNOWN")
		b.read("r1", nil).done(t)
		b.read("r1", func(r *performancev1.Reading) { r.Itt = in("656", "Cel") }).refused(t, "ALREADY_EXISTS")
		of(b.GetReading(b.analyst(), &performancev1.GetReadingRequest{Name: engineName + "/readings/future"})).refused(t, "NOT_FOUND")
		of(b.ExplainReading(b.analyst(), &performancev1.ExplainReadingRequest{Name: engineName + "/readings/future"})).refused(t, "NOT_FOUND")
		// What can't be analysed is held and kept: nothing half done, and no number made of it.
		cold := b.read("cold", func(r *performancev1.Reading) {
			r.Oat, r.ReadTime = in("-273.15", "Cel"), timestamppb.New(morning.Add(-2*time.Hour))
		}).done(t)
		if cold.GetState() != performancev1.Reading_HELD || cold.GetDeviation() != nil {
			t.Errorf("%v", cold)
		}
		of(b.ExplainReading(b.analyst(), &performancev1.ExplainReadingRequest{Name: cold.GetName()})).refused(t, "READING_NOT_ANALYSED")
	})
}

func sample() *performancev1.Reading {
	return &performancev1.Reading{
		ReadTime: timestamppb.New(morning), PressureAltitude: in("6000", "[ft_i]"), Oat: in("5", "Cel"), Torque: in("1300", "N.m"),
		PropellerSpeed: in("1700", "{rpm}"), Ng: in("94.1", "%"), Itt: in("655", "Cel"), FuelFlow: in("150", "kg/h"),
	}
}

// The same reading in metric and in trade units has the same deviation.
func TestUnitSystemsGiveTheSameDeviation(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		trade := b.read("trade", nil).done(t)
		metric := b.read("metric", func(r *performancev1.Reading) {
			r.ReadTime = timestamppb.New(morning.Add(-time.Hour))
			r.PressureAltitude, r.Oat, r.Airspeed = in("1828.8", "m"), in("5", "Cel"), in("77.1666666666667", "m/s")
			r.Torque, r.FuelFlow, r.Itt = in("1762.56333283095", "N.m"), in("149.6854821", "kg/h"), in("1211", "[degF]")
		}).done(t)
		near(t, "ITT", metric.GetDeviation().GetIttC(), trade.GetDeviation().GetIttC(), 1e-9)
		near(t, "Ng", metric.GetDeviation().GetNgPct(), trade.GetDeviation().GetNgPct(), 1e-9)
		near(t, "fuel flow", metric.GetDeviation().GetFuelFlowPct(), trade.GetDeviation().GetFuelFlowPct(), 1e-9)
	})
}

func TestAPersonDecidesOfAReading(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		held := b.read("far", func(r *performancev1.Reading) { r.Itt = in("955", "Cel") }).done(t)
		if held.GetState() != performancev1.Reading_HELD {
			t.Fatalf("%v", held)
		}
		of(b.IncludeReading(b.as("technician"), &performancev1.IncludeReadingRequest{Name: held.GetName(), Reason: "seen"})).refused(t, "ROLE_MISSING")
		in := of(b.IncludeReading(b.analyst(), &performancev1.IncludeReadingRequest{Name: held.GetName(), Reason: "seen on both gauges"})).done(t)
		if in.GetState() != performancev1.Reading_ACCEPTED || in.GetDeviation() == nil {
			t.Errorf("%v", in)
		}
		out := of(b.ExcludeReading(b.analyst(), &performancev1.ExcludeReadingRequest{Name: held.GetName(), Reason: "the gauge was broken"})).done(t)
		if out.GetState() != performancev1.Reading_EXCLUDED || out.GetStateText() != "the gauge was broken" {
			t.Errorf("%v", out)
		}
	})
}

func TestEventsTrendsAndAssessments(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(priced)
		b.fly(worn{days: 120, noise: 1, dirt: rising})
		b.washed(60, 120)
		of(b.CreateEngineEvent(b.analyst(), &performancev1.CreateEngineEventRequest{Parent: engineName, EngineEvent: &performancev1.EngineEvent{
			Kind: performancev1.EngineEvent_OTHER, EventTime: timestamppb.New(morning.Add(time.Hour)),
		}})).refused(t, "TIME_IN_FUTURE")
		events := of(b.ListEngineEvents(b.as("viewer"), &performancev1.ListEngineEventsRequest{Parent: engineName, Filter: `kind = "RECOVERY_WASH"`})).done(t)
		if len(events.GetEngineEvents()) != 1 {
			t.Errorf("%v", events)
		}
		trend := of(b.GetTrend(b.as("viewer"), &performancev1.GetTrendRequest{Name: engineName + "/trend", MaxPoints: 30})).done(t)
		if len(trend.GetPoints()) != 30 || len(trend.GetEvents()) != 1 || trend.GetSummary() == "" || !strings.Contains(trend.GetBaseline(), modelName) {
			t.Errorf("%d points, %d events, %q, %q", len(trend.GetPoints()), len(trend.GetEvents()), trend.GetSummary(), trend.GetBaseline())
		}
		now := of(b.GetAssessment(b.as("viewer"), &performancev1.GetAssessmentRequest{Name: engineName + "/assessment"})).done(t)
		if now.GetReadingsUsed() < 110 || now.GetModelRevision() != 1 || now.GetEngineSerial() != "DEMO-1" || now.GetLatestWashTime() == nil {
			t.Errorf("%v", now)
		}
		all := of(b.ListAssessments(b.as("viewer"), &performancev1.ListAssessmentsRequest{Filter: `engine_serial = "DEMO-1"`})).done(t)
		if len(all.GetAssessments()) != 1 || !proto.Equal(all.GetAssessments()[0], now) {
			t.Errorf("%v", all)
		}
		recoveries := of(b.ListRecoveries(b.as("viewer"), &performancev1.ListRecoveriesRequest{Parent: "engines/-", Filter: `verdict = "RECOVERED"`})).done(t).GetRecoveries()
		if len(recoveries) != 1 {
			t.Fatalf("the wash took 70 %% of 1.2 units off: %v", recoveries)
		}
		one := of(b.GetRecovery(b.as("viewer"), &performancev1.GetRecoveryRequest{Name: recoveries[0].GetName()})).done(t)
		near(t, "the step", one.GetIttStepC().GetEstimate(), -0.84*10.4, 2)
		advices := of(b.ListWashAdvices(b.as("planner"), &performancev1.ListWashAdvicesRequest{Parent: "engines/-"})).done(t).GetWashAdvices()
		if len(advices) == 0 || len(advices[0].GetReasons()) == 0 {
			t.Errorf("%v", advices)
		}
	})
}
