package cards

import workordersv1 "coldsection.example/proto/coldsection/workorders/v1"

var (
	live    = warning("Only the supply is switched on for the current; nobody touches the heater meanwhile, and it is never heated in air for longer than approved data allow.")
	lonely  = warning("Never alone: one person commands the run, one guards fire and propeller arc, and all know the word that stops it.")
	outside = warning("Never run the engine indoors; wear hearing protection, chock the aircraft and keep to the wind limits.")
	trimmed = caution("A wrong trim makes the engine read cooler than it is. Write down the value found before anything is changed.")
)

// computed is a reading whose limits follow from the engine model's heater data.
func computed(key, name, unit string, from workordersv1.MeasurementSpec_Derived) *workordersv1.MeasurementSpec {
	return &workordersv1.MeasurementSpec{Key: key, DisplayName: name, UnitCode: unit, Derived: from, ToolRequired: true, Source: "from the engine model's heater data"}
}

// heater are the steps of the sense-line heater check. Their limits follow from the rated power and voltage, the tolerance and the range
// of the supply, which are the operator's data.
func heater() []*step {
	return []*step{
		critical(do("Isolate the heater supply and prove it dead", "Lock and tag the breaker; let the line cool.", heat)),
		measured(do("Measure the heater's resistance", "Cold.", heat), "resistance-bridge",
			computed("heater_resistance", "Heater resistance", "Ohm", workordersv1.MeasurementSpec_HEATER_RESISTANCE)),
		measured(do("Measure the insulation", "At the voltage that approved data name.", heat), "insulation-tester",
			computed("insulation", "Insulation resistance", "MOhm", workordersv1.MeasurementSpec_HEATER_INSULATION)),
		measured(do("Switch the supply on and measure voltage and current", "Compare with the window from rated power and voltage; switch off, lock and tag again.", live, heat),
			"clamp-meter", computed("supply_voltage", "Supply voltage", "V", workordersv1.MeasurementSpec_HEATER_SUPPLY),
			computed("heater_current", "Heater current", "A", workordersv1.MeasurementSpec_HEATER_CURRENT)),
		critical(of(workordersv1.StepKind_STEP_KIND_RESTORE_AND_COUNT, do("Connect the line, remove tags and locks, count", "As many as were fitted.", blanks))),
		looked("Look that the line is connected and the supply restored", heat),
	}
}

// trim are the steps of the temperature-trim check.
func trim() []*step {
	return []*step{
		critical(do("Isolate the indication and disconnect the trim leg", "As approved data say; tag the breaker.", heat)),
		measured(do("Measure the trim resistor", "Disconnected, at the temperature of the day.", trimmed), "resistance-bridge",
			measurement("trim_resistance", "Trim resistance", "Ohm", nil, nil, true), measurement("ambient", "Temperature of the air", "Cel", new(-40.0), new(55.0), false)),
		critical(of(workordersv1.StepKind_STEP_KIND_RESTORE_AND_COUNT, do("Connect the trim leg, restore the breaker, count", "As many as were taken.", blanks))),
		looked("Look that the trim leg is connected", heat),
	}
}

// groundRun are the steps of a ground run: the same readings before and after, so that what the work changed can be seen.
func groundRun() []*step {
	return []*step{
		do("Clear the area, chock the aircraft, brief everybody", "Fire guard and extinguisher in place.", propeller, exhaust, outside),
		powered("before"),
		do("Do the work between the runs", "On its own order.", exhaust),
		powered("after"),
	}
}

// powered is a run with readings, by somebody authorized for ground runs (AMC 145.A.35(a)).
func powered(when string) *step {
	reading := func(key, name, unit string) *workordersv1.MeasurementSpec {
		return measurement(key+"_"+when, name+" "+when, unit, nil, nil, false)
	}
	s := of(workordersv1.StepKind_STEP_KIND_MEASURE, do("Run and read, "+when, "By the flight manual's checklist, stabilised, bleed and electrical loads as approved data say.",
		propeller, exhaust, lonely))
	s.RequiredAuthorizations = []string{"ground-run"}
	s.Measurements = []*workordersv1.MeasurementSpec{
		reading("oat", "Temperature of the air", "Cel"), reading("pressure_altitude", "Pressure altitude", "m"), reading("torque", "Torque", "N.m"),
		reading("propeller_speed", "Propeller speed", "{rpm}"), reading("ng", "Gas generator speed", "%"), reading("itt", "Turbine temperature", "Cel"),
		reading("fuel_flow", "Fuel flow", "kg/h"),
	}
	return s
}

// looked is a critical look by a person who did none of the work.
func looked(title string, cautions ...*workordersv1.Caution) *step {
	return critical(of(workordersv1.StepKind_STEP_KIND_INDEPENDENT_INSPECTION, do(title, "By a person who did none of the work.", cautions...)))
}
