package app

import (
	"context"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/performance/internal/store"
)

// saveVerdicts writes the readings whose verdict changed.
func (u unit) saveVerdicts(ctx context.Context, model *performancev1.EngineModel, result analysis.Result, byID map[string]*performancev1.Reading) error {
	var changed []*performancev1.Reading
	for i := range result.Verdicts {
		if r := byID[result.Readings[i].ID]; judge(r, &result.Verdicts[i], model.GetRevision()) {
			changed = append(changed, r)
		}
	}
	return store.Readings.SaveAll(ctx, u.Tx, changed, u.now)
}

// judge writes a verdict into a reading, and says whether that changed it. What a person decided stays.
func judge(r *performancev1.Reading, v *analysis.Verdict, revision int32) (changed bool) {
	state, reason, text := r.GetState(), r.GetStateReason(), r.GetStateText()
	if !aside(r) {
		state = readingStates[v.State]
	}
	if !aside(r) && r.GetStateReason() != includedReason {
		reason, text = v.Reason, v.Text
	}
	if changed = state != r.GetState() || reason != r.GetStateReason() || text != r.GetStateText(); changed {
		r.State, r.StateReason, r.StateText = state, reason, text
	}
	d := r.GetDeviation()
	if !v.Analysed {
		r.Deviation = nil
		return changed || d != nil
	}
	same := d != nil && d.GetIttC() == v.Deviation.ITT && d.GetNgPct() == v.Deviation.Ng && d.GetFuelFlowPct() == v.Deviation.Fuel
	if same && r.GetModelRevision() == revision {
		return changed
	}
	r.Deviation = &performancev1.Deviation{IttC: v.Deviation.ITT, NgPct: v.Deviation.Ng, FuelFlowPct: v.Deviation.Fuel}
	r.ModelRevision = revision
	return true
}
