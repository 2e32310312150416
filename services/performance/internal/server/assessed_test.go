package server_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

// The assessment's margin is that of the engine model itself at the reference, and agrees with ComputeMargin; the trend has the
// line at which a wash is worth while: the reference, which is about zero, and 6.6 °C.
func TestAnAssessmentHasItsMarginAndTheTrendItsLine(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(priced)
		b.fly(worn{days: 60, noise: 1, dirt: func(day int) float64 { return max(0, 0.02*float64(day-20)) }})
		now := of(b.GetAssessment(b.analyst(), &performancev1.GetAssessmentRequest{Name: engineName + "/assessment"})).done(t)
		got := now.GetMargin().GetIttMarginC()
		want := 815 - truth(t, 0.64).ITT // the mean of the newest fifteen days, 45 to 59
		if want < got.GetLower()-1 || want > got.GetUpper()+1 {
			t.Errorf("margin %v, the engine has %.1f °C", got, want)
		}
		asked := of(b.ComputeMargin(b.analyst(), &performancev1.ComputeMarginRequest{Name: engineName})).done(t).GetIttMarginC()
		if math.Abs(asked.GetEstimate()-got.GetEstimate()) > 0.5 {
			t.Errorf("the assessment says %v, ComputeMargin %v", got, asked)
		}
		if !strings.Contains(now.GetMargin().GetCondition(), "2900 N·m at 1700 rpm, 35 °C") {
			t.Errorf("%v", now.GetMargin())
		}
		trend := of(b.GetTrend(b.analyst(), &performancev1.GetTrendRequest{Name: engineName + "/trend"})).done(t)
		near(t, "the line", trend.GetIttAdviceC(), 6.6, 2)
		drawn := of(b.RenderTrend(b.analyst(), &performancev1.RenderTrendRequest{Name: engineName + "/trend", Fit: true})).done(t)
		if !strings.Contains(string(drawn.GetContent()), "a wash is advised at +") {
			t.Errorf("the drawing has no line")
		}
	})
}

// Without a limit there is no margin, and the assessment says what is missing; without a reference level there is no line.
func TestAnAssessmentSaysWhyThereIsNoMargin(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(func(m *performancev1.EngineModel) { priced(m); m.Limits = nil })
		b.fly(worn{days: 10, noise: 1, dirt: func(int) float64 { return 0 }})
		now := of(b.GetAssessment(b.analyst(), &performancev1.GetAssessmentRequest{Name: engineName + "/assessment"})).done(t)
		if now.GetMargin().GetIttMarginC() != nil || !strings.Contains(now.GetMargin().GetExplanation(), "no ITT limit") || now.GetIttAdviceC() != 0 {
			t.Errorf("%v", now)
		}
	})
}

// The assessment foresees what ForecastMargin foresees, the limit being met some days after the newest reading; of a steady
// engine it foresees nothing and says so.
func TestAnAssessmentForeseesItsLimit(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(func(m *performancev1.EngineModel) { priced(m); m.Limits[0].MaxValue = truth(t, 1.3).ITT })
		b.fly(worn{days: 60, noise: 1, dirt: func(day int) float64 { return 0.02 * float64(day) }})
		got := of(b.GetAssessment(b.analyst(), &performancev1.GetAssessmentRequest{Name: engineName + "/assessment"})).done(t).GetMargin()
		asked := of(b.ForecastMargin(b.analyst(), &performancev1.ForecastMarginRequest{Name: engineName})).done(t)
		if !asked.GetForeseen() || got.GetMedianCrossingTime() == nil || !got.GetEarliestCrossingTime().AsTime().Before(got.GetMedianCrossingTime().AsTime()) {
			t.Fatalf("%v\n%v", got, asked)
		}
		near(t, "days between the two forecasts", got.GetMedianCrossingTime().AsTime().Sub(asked.GetMedianTime().AsTime()).Hours()/24, 0, 1)
	})
	benches(t, func(t *testing.T, b bench) {
		b.withModel(priced)
		b.fly(worn{days: 60, noise: 1, dirt: func(int) float64 { return 0.3 }})
		got := of(b.GetAssessment(b.analyst(), &performancev1.GetAssessmentRequest{Name: engineName + "/assessment"})).done(t).GetMargin()
		if got.GetMedianCrossingTime() != nil || !strings.Contains(got.GetExplanation(), "No crossing foreseen") {
			t.Errorf("%v", got)
		}
	})
}

// A worn turbine and a wash that brings nothing back: the recovery names what else may be behind it, dirt not among it. The model
// states a noise of 6 °C, so a gain under 3 °C is none, which 40 readings exclude.
func TestAWashInVainNamesOtherCauses(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		b.withModel(func(m *performancev1.EngineModel) { priced(m); m.Noise.IttC = 6 })
		b.fly(worn{days: 170, noise: 0.5, dirt: func(int) float64 { return 0 }, wear: func(day int) float64 { return 0.0005 * float64(min(60, max(0, day-40))) }})
		b.washed(120, 170)
		list := of(b.ListRecoveries(b.analyst(), &performancev1.ListRecoveriesRequest{Parent: engineName})).done(t).GetRecoveries()
		if len(list) != 1 || list[0].GetVerdict() != performancev1.Recovery_NOT_RECOVERED {
			t.Fatalf("%v", list)
		}
		if len(list[0].GetOtherCauses()) == 0 || list[0].GetOtherCauses()[0].GetCause() != "hot_section" || list[0].GetOtherCauses()[0].GetNextCheck() == "" {
			t.Errorf("%v", list[0].GetOtherCauses())
		}
		for _, c := range list[0].GetOtherCauses() {
			if c.GetCause() == "fouling" {
				t.Errorf("dirt is behind a wash in vain: %v", c)
			}
		}
	})
}

// The log has a digit too many in its newest line and once before: the wash is as old as it is by the hours that can be true, and the slope is
// that of the same log without slips. A wash whose hours nobody entered has no age; it was as old as the engine.
func TestAnAssessmentDoesNotBelieveSlippedHours(t *testing.T) {
	dirt := func(day int) float64 { return 0.02 * float64(day) }
	var want *performancev1.Interval
	benches(t, func(_ *testing.T, b bench) {
		b.withModel(priced)
		b.fly(worn{days: 60, noise: 1, dirt: dirt})
		want = b.assessment().GetIttSlopeCPer_100H()
	})
	benches(t, func(t *testing.T, b bench) {
		b.withModel(priced)
		b.fly(worn{days: 60, noise: 1, dirt: dirt, slips: map[int]int{40: 12000, 59: 12950}})
		if got := b.assessment(); got.GetWashAgeHours() != 0 || math.Abs(got.GetIttSlopeCPer_100H().GetEstimate()-want.GetEstimate()) > 0.3 || want.GetEstimate() < 1 {
			t.Errorf("%.1f h, slope %v, without slips %v", got.GetWashAgeHours(), got.GetIttSlopeCPer_100H(), want)
		}
		b.washed(20, 60)
		if got := b.assessment(); got.GetWashAgeHours() != 190 { // from 1,100 to 1,290 h on the last day but one
			t.Errorf("%.1f h after a wash at %v", got.GetWashAgeHours(), got.GetLatestWashTime().AsTime())
		}
		of(b.CreateEngineEvent(b.analyst(), &performancev1.CreateEngineEventRequest{Parent: engineName, EngineEvent: &performancev1.EngineEvent{
			Kind: performancev1.EngineEvent_RECOVERY_WASH, EventTime: timestamppb.New(dayOf(30, 60).Add(-time.Hour)),
		}})).done(t)
		if got := b.assessment(); got.GetWashAgeHours() != 0 || !got.GetLatestWashTime().AsTime().Equal(dayOf(30, 60).Add(-time.Hour)) {
			t.Errorf("%.1f h after a wash without hours at %v", got.GetWashAgeHours(), got.GetLatestWashTime().AsTime())
		}
	})
}
