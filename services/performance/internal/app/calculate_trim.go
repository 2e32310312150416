package app

import (
	"context"
	"fmt"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/performance/internal/thermocouple"
	"coldsection.example/services/performance/internal/trim"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
)

const (
	typeK    = "NIST Monograph 175, type K (IEC 60584-1)"
	millman  = "Millman's theorem"
	asNeeded = "the request"
)

var topologies = map[performancev1.TrimData_Topology]trim.Topology{
	performancev1.TrimData_ACROSS: trim.Across, performancev1.TrimData_IN_LINE: trim.InLine,
}

// trimming is one calculation under way.
type trimming struct {
	model   *performancev1.EngineModel
	harness trim.Harness
	branch  trim.Branch
	wanted  trim.Wanted
	steps   []*commonv1.Explained
}

// CalculateTrim works out which resistor of the model shifts the indication as wanted.
func (a *App) CalculateTrim(ctx context.Context, req *performancev1.CalculateTrimRequest) (*performancev1.CalculateTrimResponse, error) {
	model, err := store.Models.Read(ctx, a.DB, req.GetName())
	if err != nil {
		return nil, err
	}
	c, err := newTrimming(model, req)
	if err != nil {
		return nil, err
	}
	var classes []trim.Class
	for _, x := range model.GetTrim().GetClasses() {
		classes = append(classes, trim.Class{ID: x.GetId(), Resistance: x.GetResistanceOhm(), Tolerance: x.GetToleranceOhm()})
	}
	best, options, err := trim.Choose(c.harness, c.branch, classes, c.wanted)
	if err != nil {
		return nil, err
	}
	c.branch.Resistance = options[best].Class.Resistance
	if err := c.explain(options[best]); err != nil {
		return nil, err
	}
	open, err := c.openProbes()
	return &performancev1.CalculateTrimResponse{
		Cautions: trim.Cautions(), ChosenClass: options[best].Class.ID, Options: c.options(options), OpenProbeReadings: open, Steps: c.steps,
		EngineModel: model.GetName(), ModelRevision: model.GetRevision(), Document: documentOf(model.GetTrim().GetDocument(), model),
	}, err
}

func newTrimming(model *performancev1.EngineModel, req *performancev1.CalculateTrimRequest) (*trimming, error) {
	data := model.GetTrim()
	if data.GetJunctions() > trim.MaxProbes {
		return nil, fault.Invalid("engine_model.trim.junctions", "HARNESS_INVALID", "%s has %d thermocouples; %d are the most. Correct its trim data.",
			model.GetName(), data.GetJunctions(), trim.MaxProbes)
	}
	c := &trimming{model: model}
	var err error
	if c.wanted.Shift, err = difference("shift", req.GetShift()); err != nil {
		return nil, err
	}
	if c.wanted.Reference, err = measured("reference_temperature", req.GetReferenceTemperature(), quantity.Temperature); err != nil {
		return nil, err
	}
	junction, err := measured("junction_temperature", req.GetJunctionTemperature(), quantity.Temperature)
	if err != nil {
		return nil, err
	}
	for i, e := range req.GetRangeTemperatures() {
		t, err := measured(fmt.Sprintf("range_temperatures[%d]", i), e, quantity.Temperature)
		if err != nil {
			return nil, err
		}
		c.wanted.Range = append(c.wanted.Range, t)
	}
	c.harness = trim.Equal(int(data.GetJunctions()), data.GetJunctionResistanceOhm(), c.wanted.Reference, junction)
	c.harness.Load = data.GetIndicatorInputOhm()
	if err := c.setBranch(req); err != nil {
		return nil, err
	}
	return c, nil
}

func (c *trimming) setBranch(req *performancev1.CalculateTrimRequest) (err error) {
	data := c.model.GetTrim()
	c.branch = trim.Branch{Topology: topologies[data.GetTopology()], Thermocouple: data.GetBranchThermocouple()}
	if !c.branch.Thermocouple {
		return nil
	}
	if req.GetBranchTemperature() == nil {
		return fault.Invalid("branch_temperature", "TRIM_BRANCH_TEMPERATURE_MISSING",
			"The trim of %s ends in a thermocouple of its own. Give that one's temperature.", c.model.GetName())
	}
	c.branch.Temperature, err = measured("branch_temperature", req.GetBranchTemperature(), quantity.Temperature)
	return err
}

// explain writes the chosen class down so that a person can redo it with a table of type K and a pocket calculator.
func (c *trimming) explain(chosen trim.Option) error {
	hot, err := thermocouple.EMF(c.wanted.Reference)
	if err != nil {
		return err
	}
	cold, err := thermocouple.EMF(c.harness.Junction)
	if err != nil {
		return err
	}
	exact, err := c.harness.ResistanceFor(c.branch, c.wanted.Shift)
	if err != nil {
		return err
	}
	with, err := c.harness.Indicated(c.branch)
	if err != nil {
		return err
	}
	data, leg := cite(documentOf(c.model.GetTrim().GetDocument(), c.model), c.model), c.model.GetTrim().GetJunctionResistanceOhm()
	n := len(c.harness.Probes)
	c.steps = []*commonv1.Explained{
		degrees("Wanted shift", c.wanted.Shift, "as asked for", asNeeded),
		step("Probe temperature", c.wanted.Reference, "Cel", "as asked for", asNeeded),
		step("Junction temperature", c.harness.Junction, "Cel", "as asked for", asNeeded),
		step("Voltage of a probe", hot, "mV", fmt.Sprintf("E(%.6g °C)", c.wanted.Reference), typeK),
		step("Voltage of the junction", cold, "mV", fmt.Sprintf("E(%.6g °C)", c.harness.Junction), typeK),
		step("Resistance of the harness", leg/float64(n), "Ohm", fmt.Sprintf("%.6g Ω / %d thermocouples", leg, n), data),
		step("Resistance that shifts exactly as wanted", exact, "Ohm", "solved from the same circuit", millman),
		step("Resistance of the chosen class", chosen.Class.Resistance, "Ohm", "class "+chosen.Class.ID, data),
		step("Voltage at the indicator", with.Millivolts, "mV", c.circuit(hot-cold), millman),
		step("Indicated temperature", with.Indicated, "Cel", fmt.Sprintf("temperature of %.6g + %.6g mV", with.Millivolts, cold), typeK),
		degrees("Shift", chosen.Shift, fmt.Sprintf("%.6g − %.6g, what is shown with the resistor less what is shown without", with.Indicated, with.Indicated-chosen.Shift), millman),
	}
	return nil
}

// circuit is Millman's sum in words.
func (c *trimming) circuit(e float64) string {
	n, leg, r, load := len(c.harness.Probes), c.harness.Probes[0].Leg, c.branch.Resistance, c.harness.Load
	input := ""
	if load > 0 {
		input = fmt.Sprintf(" + 1/%.6g", load)
	}
	switch {
	case c.branch.Topology == trim.InLine:
		return fmt.Sprintf("%.6g mV × %.6g / (%.6g + %.6g/%d + %.6g)", e, load, load, leg, n, r)
	case c.branch.Thermocouple:
		return fmt.Sprintf("(%d × %.6g / %.6g + (E(%.6g °C) − E(%.6g °C)) / %.6g) / (%d/%.6g + 1/%.6g%s)",
			n, e, leg, c.branch.Temperature, c.harness.Junction, r, n, leg, r, input)
	default:
		return fmt.Sprintf("(%d × %.6g / %.6g) / (%d/%.6g + 1/%.6g%s)", n, e, leg, n, leg, r, input)
	}
}

func (c *trimming) options(from []trim.Option) []*performancev1.TrimOption {
	var out []*performancev1.TrimOption
	for _, o := range from {
		out = append(out, &performancev1.TrimOption{
			Class: o.Class.ID, ResistanceOhm: o.Class.Resistance, LowestShiftC: o.Low, HighestShiftC: o.High, WorstErrorC: o.WorstError, TooFar: o.TooFar,
			Shift: degrees("Shift", o.Shift, fmt.Sprintf("with %.6g Ω at %.6g °C", o.Class.Resistance, c.wanted.Reference), millman),
		})
	}
	return out
}

func (c *trimming) openProbes() ([]*commonv1.Explained, error) {
	readings, err := c.harness.OpenLegs(c.branch)
	if err != nil {
		return nil, err
	}
	var out []*commonv1.Explained
	for i, r := range readings {
		out = append(out, step(fmt.Sprintf("Thermocouple %d open", i+1), r.Indicated, "Cel", fmt.Sprintf("the same circuit with %d legs", len(readings)-1), millman))
	}
	return out, nil
}
