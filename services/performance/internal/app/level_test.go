package app

import (
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

func TestTheLevelBeginsAnewWithTheWork(t *testing.T) {
	day := func(n int) *timestamppb.Timestamp {
		return timestamppb.New(time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, n))
	}
	var readings []*performancev1.Reading
	for n, itt := range []float64{10, 12, 11, 2, 4, 3} {
		readings = append(readings, &performancev1.Reading{
			ReadTime: day(n), State: performancev1.Reading_ACCEPTED, Deviation: &performancev1.Deviation{IttC: itt},
		})
	}
	readings[4].State = performancev1.Reading_EXCLUDED
	wash := []*performancev1.EngineEvent{{EventTime: day(3), Kind: performancev1.EngineEvent_RECOVERY_WASH}}
	for n, want := range []float64{10, 11, 11, 2, math.NaN(), 2.5} {
		level := points(readings, wash, &performancev1.GetTrendRequest{})[n].GetLevel()
		if math.IsNaN(want) != (level == nil) || level != nil && math.Abs(level.GetIttC()-want) > 1e-12 {
			t.Errorf("level of day %d: %v, want %v", n, level, want)
		}
	}
}
