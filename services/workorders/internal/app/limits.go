package app

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/heating"
	"coldsection.example/services/workorders/internal/store"
)

// derives reports whether a reading takes its limits from the engine model.
func derives(m *workordersv1.MeasurementSpec) bool {
	return m.GetDerived() != workordersv1.MeasurementSpec_DERIVED_UNSPECIFIED
}

// heaterFor asks for the heater's figures when an order, or the card of one that is not drafted yet, has readings that take their limits from
// them; nil when it has none, or when the model has no heater data.
func (a *App) heaterFor(ctx context.Context, o *workordersv1.WorkOrder, model string) (*performancev1.CalculateHeaterResponse, error) {
	var readings []*workordersv1.MeasurementSpec
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		var err error
		readings, err = readingsOf(ctx, tx, o)
		return err
	})
	if err != nil || !slices.ContainsFunc(readings, derives) {
		return nil, err
	}
	figures, err := performancev1.NewPerformanceCalculationServiceClient(a.Performance).CalculateHeater(asService(ctx), &performancev1.CalculateHeaterRequest{Name: model})
	switch {
	case fault.HasReason(err, "NOT_FOUND") || fault.HasReason(err, "HEATER_DATA_MISSING"):
		figures, err = nil, nil
	case err != nil && fault.Undecided(err):
		return nil, fault.New(fault.Unavailable, "PERFORMANCE_UNREACHABLE", "The heater data of %s can't be read now. Try again in a moment.", model).Because(err)
	}
	return figures, err
}

// readingsOf are the readings of an order's steps, or of its card while it has none.
func readingsOf(ctx context.Context, tx *storage.Tx, o *workordersv1.WorkOrder) (out []*workordersv1.MeasurementSpec, err error) {
	if o.GetName() == "" {
		card, err := store.Cards.Get(ctx, tx, o.GetTaskCard())
		for _, s := range card.GetSteps() {
			out = append(out, s.GetMeasurements()...)
		}
		if fault.HasReason(err, "NOT_FOUND") {
			err = nil // the draft refuses it
		}
		return out, err
	}
	steps, err := stepsIn(ctx, tx, o)
	for _, s := range steps {
		out = append(out, s.GetMeasurements()...)
	}
	return out, err
}

// limited are readings with the limits that follow from the heater's figures; without figures they have none.
func limited(readings []*workordersv1.MeasurementSpec, from *performancev1.CalculateHeaterResponse) []*workordersv1.MeasurementSpec {
	var out []*workordersv1.MeasurementSpec
	for _, given := range readings {
		m, _ := proto.Clone(given).(*workordersv1.MeasurementSpec)
		if derives(m) {
			limit(m, from)
		}
		out = append(out, m)
	}
	return out
}

// limit sets the limits of one reading, with the steps that led to them and their document.
func limit(m *workordersv1.MeasurementSpec, h *performancev1.CalculateHeaterResponse) {
	m.MinValue, m.MaxValue, m.LimitSteps = nil, nil, nil
	if h == nil {
		m.Source = "the engine model has no heater data"
		return
	}
	m.Source = fmt.Sprintf("computed from %s, revision %s; engine model revision %d", h.GetDocument().GetTitle(), h.GetDocument().GetRevision(), h.GetModelRevision())
	words := ""
	switch m.GetDerived() {
	case workordersv1.MeasurementSpec_HEATER_CURRENT:
		m.MinValue, m.MaxValue, words = new(h.GetLowestCurrentA()), new(h.GetHighestCurrentA()), "current"
	case workordersv1.MeasurementSpec_HEATER_SUPPLY:
		m.MinValue, m.MaxValue, words = new(h.GetLowestSupplyV()), new(h.GetHighestSupplyV()), "voltage"
	case workordersv1.MeasurementSpec_HEATER_INSULATION:
		if h.GetMinInsulationMohm() > 0 {
			m.MinValue = new(h.GetMinInsulationMohm())
		}
	default:
		words = "resistance"
		if h.GetTemperatureMatters() {
			m.Source += "; the limits are those of the hot heater, take the reading there by its temperature"
		} else {
			m.MinValue, m.MaxValue = new(h.GetLowestResistanceOhm()), new(h.GetHighestResistanceOhm())
		}
	}
	m.LimitSteps = stepsAbout(h, words)
	if m.GetDerived() == workordersv1.MeasurementSpec_HEATER_CURRENT {
		atRated(m, heating.Window{Low: h.GetLowestSupplyV(), High: h.GetHighestSupplyV()})
	}
}

// stepsAbout are the given figures and those steps of the arithmetic that are about a thing.
func stepsAbout(h *performancev1.CalculateHeaterResponse, thing string) (out []*commonv1.Explained) {
	for _, s := range h.GetSteps() {
		label := strings.ToLower(s.GetLabel())
		if thing != "" && (s.GetFormula() == "entered" || strings.Contains(label, thing) || label == "resistance when hot") {
			out = append(out, s)
		}
	}
	return out
}

// limitAgain computes the limits of an order that is scheduled anew. Reason: LIMITS_MISSING.
func (u unit) limitAgain(ctx context.Context, o *workordersv1.WorkOrder, from *performancev1.CalculateHeaterResponse) error {
	steps, err := u.stepsOf(ctx, o)
	if err != nil {
		return err
	}
	for _, s := range steps {
		if !slices.ContainsFunc(s.GetMeasurements(), derives) {
			continue
		}
		if from == nil {
			return fault.Precondition("LIMITS_MISSING", "Step %d, %s, takes its limits from the engine model, which has no heater data. Enter rated power, voltage and tolerance with their document.",
				s.GetPosition(), s.GetTitle())
		}
		s.Measurements = limited(s.GetMeasurements(), from)
		if err := store.Steps.Save(ctx, u.Tx, s, u.now); err != nil {
			return err
		}
	}
	return nil
}
