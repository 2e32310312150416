package app

import (
	"context"
	"fmt"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/cycle"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
)

// usualShare is the share of the design power [%] that signatures are stated at, as those of the analysis are.
const usualShare = 90.0

// ComputeSignatures works out what each cause does to the readings of an invented engine.
func (*App) ComputeSignatures(_ context.Context, req *performancev1.ComputeSignaturesRequest) (*performancev1.ComputeSignaturesResponse, error) {
	c := cycle.Standard(0, 0, 0)
	for _, f := range []struct {
		field   string
		entered *commonv1.Entered
		into    *float64
		want    quantity.Dimension
	}{{"oat", req.GetOat(), &c.OAT, quantity.Temperature}, {"pressure_altitude", req.GetPressureAltitude(), &c.Altitude, quantity.Length}} {
		if f.entered == nil {
			continue
		}
		v, err := measured(f.field, f.entered, f.want)
		if err != nil {
			return nil, err
		}
		*f.into = v
	}
	share := req.GetPowerPct()
	if share == 0 {
		share = usualShare
	}
	engine, err := cycle.New(cycle.Demonstration()[0])
	if err != nil {
		return nil, err
	}
	causes, err := engine.Causes(c, share/100*engine.DesignPower())
	if err != nil {
		return nil, fault.Invalid("power_pct", "CONDITION_OUT_OF_RANGE", "The engine model has no answer there: %s. Take another condition.", err)
	}
	words := fmt.Sprintf("%s at %.6g %% of its design power, %.6g °C and %.6g m", engine.Data().Name, share, c.OAT, c.Altitude)
	resp := &performancev1.ComputeSignaturesResponse{
		DemonstrationOnly: true, Explanation: words + ", solved with and without each cause at constant indicated power. The engine is invented; an operator's engine differs.",
	}
	for _, x := range causes {
		resp.Signatures = append(resp.Signatures, &performancev1.CauseSignature{
			Cause: x.Name, Size: x.Size, IttC: x.Signature.ITT, NgPct: x.Signature.Ng, FuelFlowPct: x.Signature.Fuel,
			Document: &commonv1.DocumentReference{Title: "Cycle model (demonstration only)", Revision: "1", Section: words},
		})
	}
	return resp, nil
}
