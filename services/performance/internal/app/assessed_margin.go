package app

import (
	"fmt"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/performance/internal/margin"
)

// marginOf is the margin at the model's reference condition with the level of an analysis, or why there is none.
func marginOf(data engineData, result analysis.Result) *performancev1.Margin {
	r := referenceOf(data.model)
	out := &performancev1.Margin{Condition: fmt.Sprintf("%.6g N·m at %.6g rpm, %.6g °C and %.6g m, of %s revision %d",
		r.Point.Torque, r.Point.Np, r.Point.OAT, r.Point.Altitude, data.model.GetName(), data.model.GetRevision())}
	of := func(e analysis.Estimate) margin.Deviation { return margin.Deviation{Value: e.Value, Half: e.Half} }
	s, err := margin.At(data.fitted, r, margin.State{
		ITT: of(result.Level), Ng: of(result.Ng), Fuel: of(result.Fuel), Theta: result.Theta, Readings: result.Behind,
	})
	if err != nil {
		out.Explanation = err.Error()
		return out
	}
	out.IttMarginC, out.Explanation = marginInterval(s.ITT), "ITT: "+s.ITT.Words("°C")+". It says nothing of the time to come; a forecast does."
	return out
}
