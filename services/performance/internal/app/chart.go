package app

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/chart"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/storage"
)

// letters are how events are marked on a chart.
var letters = map[performancev1.EngineEvent_Kind]struct{ letter, words string }{
	performancev1.EngineEvent_RECOVERY_WASH: {"W", "wash with cleaner"}, performancev1.EngineEvent_SALT_RINSE: {"R", "water rinse"},
	performancev1.EngineEvent_HOT_SECTION: {"H", "hot section work"}, performancev1.EngineEvent_SENSOR_WORK: {"S", "sensor work"},
	performancev1.EngineEvent_OVERHAUL: {"O", "overhaul"}, performancev1.EngineEvent_OTHER: {"X", "other work"},
	performancev1.EngineEvent_CHECK: {"C", "check"},
}

// RenderTrend draws an engine's trend.
func (a *App) RenderTrend(ctx context.Context, req *performancev1.RenderTrendRequest) (*performancev1.RenderTrendResponse, error) {
	trend, err := a.Trend(ctx, &performancev1.GetTrendRequest{Name: req.GetName(), StartTime: req.GetStartTime(), EndTime: req.GetEndTime(), MaxPoints: math.MaxInt32})
	if err != nil {
		return nil, err
	}
	data := chart.Data{Summary: trend.GetSummary(), Coverage: trend.GetCoveragePct(), Limit: trend.GetIttAdviceC(), Fit: req.GetFit()}
	if err := a.describe(ctx, strings.TrimSuffix(req.GetName(), "/trend"), trend, &data); err != nil {
		return nil, err
	}
	for _, p := range trend.GetPoints() {
		if p.GetDeviation() == nil {
			continue // there is nothing to place it by
		}
		data.Points = append(data.Points, chart.Point{
			At: p.GetReadTime().AsTime(), Used: p.GetState() == performancev1.Reading_ACCEPTED, Values: *three(p.GetDeviation()), Level: three(p.GetLevel()), Half: three(p.GetBandHalfWidth()),
		})
	}
	for _, e := range trend.GetEvents() {
		mark := letters[e.GetKind()]
		into := &data.Events
		if e.GetKind() == performancev1.EngineEvent_CHECK {
			into = &data.Notices
		}
		*into = append(*into, chart.Event{At: e.GetEventTime().AsTime(), Letter: mark.letter, Words: mark.words})
	}
	for _, e := range trend.GetExceedances() {
		data.Notices = append(data.Notices, chart.Event{At: e.GetExceedTime().AsTime(), Letter: "E", Words: "exceedance"})
	}
	resp := &performancev1.RenderTrendResponse{AlternativeText: data.Words(), MediaType: "image/svg+xml", FileName: "trend-" + plainSerial(data.Engine) + ".svg"}
	if req.GetFormat() == performancev1.ImageFormat_IMAGE_FORMAT_PNG {
		resp.MediaType, resp.FileName = "image/png", "trend-"+plainSerial(data.Engine)+".png"
		resp.Content, err = chart.PNG(data)
		return resp, err
	}
	resp.Content = chart.SVG(data)
	return resp, nil
}

// describe says which engine and which data a chart shows.
func (a *App) describe(ctx context.Context, engine string, trend *performancev1.Trend, data *chart.Data) error {
	return a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		now, err := store.Assessments.Get(ctx, tx, engine+"/assessment")
		if err != nil {
			return err
		}
		model, err := store.ModelAt(ctx, tx, now.GetEngineModel(), now.GetModelRevision())
		if err != nil {
			return err
		}
		data.Engine, data.Demonstration = now.GetEngineSerial(), model.GetDemonstrationOnly()
		data.Model = fmt.Sprintf("%s, revision %d. Deviations from a clean engine: %s.", model.GetDisplayName(), now.GetModelRevision(), trend.GetBaseline())
		return nil
	})
}

func three(d *performancev1.Deviation) *[chart.Panels]float64 {
	if d == nil {
		return nil
	}
	return &[chart.Panels]float64{d.GetIttC(), d.GetNgPct(), d.GetFuelFlowPct()}
}

// band gives every point with a level the half width that holds coverage per cent of the used readings about their levels. It
// tells how readings scatter, not how well the level is known.
func band(points []*performancev1.TrendPoint) {
	var away [chart.Panels][]float64
	for _, p := range points {
		if p.GetLevel() == nil {
			continue
		}
		value, level := three(p.GetDeviation()), three(p.GetLevel())
		for i := range away {
			away[i] = append(away[i], math.Abs(value[i]-level[i]))
		}
	}
	n := len(away[0])
	if n < 8 { // fewer hold no ninety per cent
		return
	}
	var half [chart.Panels]float64
	for i := range away {
		slices.Sort(away[i])
		half[i] = away[i][min(n-1, int(math.Ceil(coverage/100*float64(n)))-1)]
	}
	for _, p := range points {
		if p.GetLevel() != nil {
			p.BandHalfWidth = &performancev1.Deviation{IttC: half[0], NgPct: half[1], FuelFlowPct: half[2]}
		}
	}
}
