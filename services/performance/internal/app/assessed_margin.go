package app

import (
	"context"
	"fmt"
	"slices"

	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/performance/internal/margin"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/storage"
)

// mostForecast is how many of the newest readings an assessment's forecast rests on, so that its cost does not grow.
const mostForecast = 400

// marginOf is the margin at the model's reference condition with the level of an analysis and when it may be used up, or why
// there is none.
func (u unit) marginOf(ctx context.Context, engine string, data engineData, result analysis.Result) (*performancev1.Margin, error) {
	r := referenceOf(data.model)
	out := &performancev1.Margin{Condition: fmt.Sprintf("%.6g N·m at %.6g rpm, %.6g °C and %.6g m, of %s revision %d",
		r.Point.Torque, r.Point.Np, r.Point.OAT, r.Point.Altitude, data.model.GetName(), data.model.GetRevision())}
	of := func(e analysis.Estimate) margin.Deviation { return margin.Deviation{Value: e.Value, Half: e.Half} }
	s, err := margin.At(data.fitted, r, margin.State{
		ITT: of(result.Level), Ng: of(result.Ng), Fuel: of(result.Fuel), Theta: result.Theta, Readings: result.Behind,
	})
	if err != nil {
		out.Explanation = err.Error()
		return out, nil //nolint:nilerr // the answer is that there is no margin, and why
	}
	out.IttMarginC, out.Explanation = marginInterval(s.ITT), "ITT: "+s.ITT.Words("°C")+"."
	return out, u.foresee(ctx, engine, out, s.ITT)
}

// foresee adds when the margin may be used up, by the line through the newest readings since the last change of the engine.
func (u unit) foresee(ctx context.Context, engine string, out *performancev1.Margin, m margin.Margin) error {
	known, err := u.newest(ctx, engine)
	if err != nil {
		return err
	}
	c := margin.Forecast(known, m.AtLimit(0))
	out.Explanation += " " + c.Reason
	use, ok := margin.UseOf(known)
	switch {
	case !c.Foreseen:
	case !ok:
		out.Explanation += " No dates: the readings do not tell how much the engine is flown."
	default:
		early, middle, _ := c.Dates(known[len(known)-1].At, use)
		out.EarliestCrossingTime, out.MedianCrossingTime = timestamppb.New(early), timestamppb.New(middle)
	}
	return nil
}

// newest are the newest accepted readings since the last change of an engine whose hours are known, in order of time.
func (u unit) newest(ctx context.Context, engine string) ([]margin.Sample, error) {
	events, err := store.StandingEvents(ctx, u.Tx, engine)
	if err != nil {
		return nil, err
	}
	changed, _ := (&history{events: events}).changed(breaks)
	condition, args := store.Under(engine + "/readings")
	args = append(args, storage.Micros(changed))
	stored, err := store.Readings.Where(ctx, u.Tx, fmt.Sprintf("%s AND state = 'ACCEPTED' AND read_time >= $3 ORDER BY read_time DESC, name DESC LIMIT %d", condition, mostForecast), args...)
	if err != nil {
		return nil, err
	}
	slices.Reverse(stored)
	var known []margin.Sample
	for i, believed := range believedHours(stored) {
		if r := stored[i]; believed > 0 && r.GetDeviation() != nil {
			known = append(known, margin.Sample{At: r.GetReadTime().AsTime(), Hours: believed, ITT: r.GetDeviation().GetIttC()})
		}
	}
	return known, nil
}
