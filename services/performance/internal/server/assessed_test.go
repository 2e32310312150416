package server_test

import (
	"math"
	"strings"
	"testing"

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
