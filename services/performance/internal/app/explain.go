package app

import (
	"context"
	"fmt"
	"strings"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// ExplainReading shows each step from the raw reading to its deviation.
func (a *App) ExplainReading(ctx context.Context, name string) (*performancev1.ExplainReadingResponse, error) {
	resp := &performancev1.ExplainReadingResponse{}
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		reading, err := store.Readings.Get(ctx, tx, name)
		if err != nil {
			return err
		}
		engine, _, _ := strings.Cut(name, "/readings/")
		profile, _, err := store.FindProfile(ctx, tx, engine)
		if err != nil {
			return err
		}
		model, fitted, err := a.unit(ctx, tx).baselineOf(ctx, profile.Model)
		if err != nil {
			return err
		}
		p := pointOf(reading.GetValues())
		x, err := fitted.Expect(p)
		if err != nil {
			return fault.Precondition("READING_NOT_ANALYSED", "%s was not analysed: %s.", name, err)
		}
		const atmosphere = "ISO 2533:1975"
		document := fmt.Sprintf("%s, revision %d", model.GetDocument().GetTitle(), model.GetRevision())
		d := x.Deviation(p)
		*resp = performancev1.ExplainReadingResponse{
			Reading: reading, EngineModel: profile.Model, ModelRevision: model.GetRevision(),
			Steps: []*commonv1.Explained{
				{Label: "Shaft power", Value: p.Power(), UnitCode: "kW", Formula: fmt.Sprintf("2π × %.4g N·m × %.4g rpm / 60,000", p.Torque, p.Np), Source: "definition"},
				{Label: "Mach number", Value: x.Condition.Mach, UnitCode: "1", Formula: fmt.Sprintf("from %.4g kt calibrated at %.5g m", p.Airspeed, p.Altitude), Source: atmosphere},
				{Label: "Theta", Value: x.Condition.Theta, UnitCode: "1", Formula: fmt.Sprintf("(%.4g + 273.15) × (1 + 0.2 M²) / 288.15", p.OAT), Source: atmosphere},
				{Label: "Delta", Value: x.Condition.Delta, UnitCode: "1", Formula: "static pressure × (1 + 0.2 M²)^3.5 / 101,325 Pa", Source: atmosphere},
				{Label: "Referred power", Value: x.ReferredPower, UnitCode: "kW", Formula: "power / (delta × √theta)", Source: "similarity"},
				{Label: "Referred ITT, as read", Value: x.Referred.ITT, UnitCode: "K", Formula: fmt.Sprintf("(%.4g + 273.15) / theta^a", p.ITT), Source: document},
				{Label: "Referred ITT, clean engine", Value: x.ReferredClean.ITT, UnitCode: "K", Formula: "baseline at the referred power, Mach number, propeller speed and altitude", Source: document},
				{Label: "Expected ITT", Value: x.Expected.ITT, UnitCode: "Cel", Formula: "referred clean ITT × theta^a − 273.15", Source: document},
				{Label: "ITT deviation", Value: d.ITT, UnitCode: "Cel", Formula: fmt.Sprintf("%.4g − %.4g", p.ITT, x.Expected.ITT), Source: "this reading"},
				{Label: "Ng deviation", Value: d.Ng, UnitCode: "%", Formula: fmt.Sprintf("%.4g − %.4g", p.Ng, x.Expected.Ng), Source: "this reading"},
				{Label: "Fuel-flow deviation", Value: d.Fuel, UnitCode: "%", Formula: fmt.Sprintf("100 × (%.4g / %.4g − 1)", p.Fuel, x.Expected.Fuel), Source: "this reading"},
			},
		}
		return nil
	})
	return resp, err
}
