package app

import (
	"cmp"
	"context"
	"fmt"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/resource"
)

// placeText is where an engine hangs, in words.
func placeText(aircraft, position string) string {
	if aircraft == "" {
		return "no aircraft"
	}
	return strings.TrimSpace(aircraft + " " + position)
}

// there says that an engine is where an order says; orders from before positions were kept say no position.
func there(o *workordersv1.WorkOrder, aircraft, position string) bool {
	return aircraft == o.GetAircraft() && (o.GetEnginePosition() == "" || position == o.GetEnginePosition())
}

// stays refuses to begin work on an engine that is no longer where its order says, which is what everybody signs. An order that was drafted while the
// engine was fitted to nothing is for the shop. Reason: ENGINE_MOVED.
func stays(o *workordersv1.WorkOrder, engine *compliancev1.Engine) error {
	if o.GetState() != workordersv1.WorkOrder_KITTED || there(o, engine.GetAircraft(), engine.GetPosition()) {
		return nil // the table of states answers
	}
	return standing(o, "ENGINE_MOVED", "%s is for %s on %s, and compliance has it on %s now. Draft it anew for where the engine is, or correct the fitting.",
		o.GetNumber(), o.GetEngine(), placeText(o.GetAircraft(), o.GetEnginePosition()), placeText(engine.GetAircraft(), engine.GetPosition()))
}

// sameEngine refuses work on an engine whose data plate has another serial number than the order's, and says which engine that is where it is
// one of the same aircraft. Reasons: OTHER_ENGINE, COMPLIANCE_UNREACHABLE.
func (a *App) sameEngine(ctx context.Context, o *workordersv1.WorkOrder, engine *compliancev1.Engine, read string) error {
	read = strings.TrimSpace(read)
	if read == "" || strings.EqualFold(read, engine.GetSerial()) {
		return nil
	}
	other := ""
	if engine.GetAircraft() != "" {
		resp, err := compliancev1.NewComplianceQueryServiceClient(a.Compliance).ListEngines(asService(ctx), &compliancev1.ListEnginesRequest{
			Filter: fmt.Sprintf("aircraft = %q", engine.GetAircraft()), PageSize: 100,
		})
		if err != nil {
			return unreachable(err)
		}
		for _, e := range resp.GetEngines() {
			if strings.EqualFold(e.GetSerial(), read) {
				other = fmt.Sprintf(", which is %s at %s of the same aircraft", e.GetName(), cmp.Or(e.GetPosition(), "another position"))
			}
		}
	}
	return fault.Precondition("OTHER_ENGINE", "%s is for the engine with serial number %s, on %s, and %s was read%s. Go to the engine of the order; "+
		"if the data plate is right, have the record corrected first.",
		o.GetNumber(), engine.GetSerial(), placeText(engine.GetAircraft(), engine.GetPosition()), read, other).With("serial", engine.GetSerial()).With("serial_read", read)
}

// wasThere refuses to sign for work on an engine that, as compliance knows by now, was somewhere else on the day that the work began than the order
// says. Reasons: ENGINE_MOVED, COMPLIANCE_UNREACHABLE.
func (a *App) wasThere(ctx context.Context, o *workordersv1.WorkOrder, engine *compliancev1.Engine) error {
	if o.GetState() != workordersv1.WorkOrder_STARTED || there(o, engine.GetAircraft(), engine.GetPosition()) {
		return nil // the table of states answers
	}
	began, err := a.dayOf(ctx, o, o.GetStartTime())
	if err != nil {
		return err
	}
	day := resource.DateText(began)
	resp, err := compliancev1.NewComplianceQueryServiceClient(a.Compliance).ListFittings(asService(ctx), &compliancev1.ListFittingsRequest{
		Filter: fmt.Sprintf(`item = %q AND correction = ""`, engine.GetName()), PageSize: 1000,
	})
	if err != nil {
		return unreachable(err)
	}
	was := "no aircraft"
	for _, f := range resp.GetFittings() {
		first, last := resource.DateText(f.GetInstallDate()), resource.DateText(f.GetRemoveDate())
		if first > day || last != "" && last < day {
			continue
		}
		if there(o, f.GetHost(), f.GetPosition()) || o.GetAircraft() == "" && (first == day || last == day) {
			return nil // also work in the shop on the day on which it was taken off or fitted
		}
		was = placeText(f.GetHost(), f.GetPosition())
	}
	if o.GetAircraft() == "" && was == "no aircraft" {
		return nil
	}
	return standing(o, "ENGINE_MOVED", "%s says that %s was on %s, and by the record of fittings it was on %s on %s, when the work began. "+
		"Have the fitting corrected if it is wrong; else have quality end the order.",
		o.GetNumber(), o.GetEngine(), placeText(o.GetAircraft(), o.GetEnginePosition()), was, day)
}
