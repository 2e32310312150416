package app

import (
	"context"
	"fmt"
	"math"
	"sync"
	"time"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/cycle"
	"coldsection.example/services/performance/internal/margin"
	"coldsection.example/services/performance/internal/prediction"
	"coldsection.example/services/platform/fault"
)

// z90 turns a half width of 90 % into a standard error.
const z90 = 1.6449

// afterWash is how many readings after a wash make the level that dirt is counted from.
const afterWash = 15

// PredictRecovery says what the next wash can be expected to recover.
func (a *App) PredictRecovery(ctx context.Context, req *performancev1.PredictRecoveryRequest) (*performancev1.PredictRecoveryResponse, error) {
	h, err := a.historyOf(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	direction, source := h.dirt()
	at, _ := h.changed(breaks)
	since := h.since(at)
	if len(since) < 2*afterWash {
		return nil, fault.Precondition("LEVEL_UNKNOWN", "There are %d readings since the last change of %s; it takes %d to say how much dirt came. Take more readings.",
			len(since), h.profile.Name, 2*afterWash)
	}
	change := h.rise(since)
	r, err := prediction.Predict(change, direction, h.pastWashes(direction))
	if err != nil {
		return nil, err
	}
	interval := func(i int) *performancev1.Interval {
		return &performancev1.Interval{Estimate: r.Value[i], Lower: r.Value[i] - r.Half[i], Upper: r.Value[i] + r.Half[i], CoveragePct: coverage}
	}
	return &performancev1.PredictRecoveryResponse{
		IttStepC: interval(0), NgStepPct: interval(1), FuelFlowStepPct: interval(2), RecoveredShare: r.Share, WashesUsed: int32(r.Washes), Explanation: r.Text,
		Cautions: margin.Cautions(), EngineModel: h.profile.Model, ModelRevision: h.model.GetRevision(),
		Steps: []*commonv1.Explained{
			degrees("Change of ITT since the last change of the engine", change.Value[0], "level of the newest readings less that of the first", "the readings"),
			step("Change of Ng", change.Value[1], "%", "the same", "the readings"),
			step("Change of fuel flow", change.Value[2], "%", "the same", "the readings"),
			degrees("ITT of one unit of dirt", direction[0], "signature of fouling", source),
			step("Ng of one unit of dirt", direction[1], "%", "signature of fouling", source),
			step("Fuel flow of one unit of dirt", direction[2], "%", "signature of fouling", source),
			step("Dirt", r.Dirt, "1", "weighted least squares along the signature", "the readings"),
			step("Share that a wash takes off", r.Share, "1", "prior 0.7 ± 0.2, and the engine's own washes", "common practice, no source"),
		},
	}, nil
}

// dirt is the direction of dirt: the model's signature of fouling, else that of the invented engine of the cycle model.
func (h *history) dirt() (prediction.Vector, string) {
	for _, s := range h.model.GetSignatures() {
		if s.GetCause() == "fouling" {
			return prediction.Vector{s.GetIttC(), s.GetNgPct(), s.GetFuelFlowPct()}, cite(s.GetDocument(), h.model)
		}
	}
	return demonstrationDirt(), fmt.Sprintf("the cycle model of an invented engine at %.6g %% power, flow capacity −3 %%, efficiency −1 %%; "+
		"the engine model names no signature of its own", usualShare)
}

// demonstrationDirt is what dirt does to the first invented engine of the cycle model on a standard day, at the share of its power that signatures are
// stated at.
var demonstrationDirt = sync.OnceValue(func() prediction.Vector {
	engine, err := cycle.New(cycle.Demonstration()[0])
	if err != nil {
		panic(err) // the data are constants, and tests solve them
	}
	causes, err := engine.Causes(cycle.Standard(0, 0, 0), usualShare/100*engine.DesignPower())
	if err != nil {
		panic(err)
	}
	s := causes[0].Signature // fouling
	return prediction.Vector{s.ITT, s.Ng, s.Fuel}
})

// rise is the newest level less that of the first readings.
func (h *history) rise(since []margin.Reading) prediction.Change {
	first, last := margin.StateOf(since[:afterWash], h.noise()), margin.StateOf(since, h.noise())
	c := prediction.Change{}
	for i, pair := range [3][2]margin.Deviation{{first.ITT, last.ITT}, {first.Ng, last.Ng}, {first.Fuel, last.Fuel}} {
		c.Value[i] = pair[1].Value - pair[0].Value
		c.Error[i] = max(1e-9, math.Hypot(pair[0].Half, pair[1].Half)/z90)
	}
	return c
}

// pastWashes are the washes before which there are readings enough, each with the dirt that came since the change before it.
func (h *history) pastWashes(direction prediction.Vector) []prediction.Past {
	var out []prediction.Past
	for _, r := range h.recoveries {
		if r.GetIttStepC() == nil || r.GetNgStepPct() == nil || r.GetFuelFlowStepPct() == nil {
			continue
		}
		wash := r.GetWashTime().AsTime()
		before := h.between(h.changedBefore(wash), wash)
		if len(before) < 2*afterWash {
			continue
		}
		came, cameError, err := prediction.Amount(h.rise(before), direction)
		if err != nil {
			continue
		}
		off := prediction.Change{}
		for i, s := range []*performancev1.Interval{r.GetIttStepC(), r.GetNgStepPct(), r.GetFuelFlowStepPct()} {
			off.Value[i], off.Error[i] = -s.GetEstimate(), max(1e-9, (s.GetUpper()-s.GetLower())/2/z90)
		}
		went, wentError, err := prediction.Amount(off, direction)
		if err != nil {
			continue
		}
		out = append(out, prediction.Past{Before: came, BeforeError: cameError, Off: went, OffError: wentError})
	}
	return out
}

// changedBefore is the last change before a time.
func (h *history) changedBefore(at time.Time) (last time.Time) {
	for _, e := range h.events {
		if t := e.GetEventTime().AsTime(); breaks[e.GetKind()] && t.Before(at) {
			last = t
		}
	}
	return last
}

func (h *history) between(from, to time.Time) []margin.Reading {
	since := h.since(from)
	for i, r := range since {
		if !r.At.Before(to) {
			return since[:i]
		}
	}
	return since
}
