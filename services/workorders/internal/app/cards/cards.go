// Package cards holds the sample task cards that the suite ships. They are written for it, name no maker's figures, and are
// to be replaced by approved data before use. Cautions follow what is usual for the work; approved data always win.
package cards

import (
	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

type step = workordersv1.CardStep

func warning(text string) *workordersv1.Caution {
	return &workordersv1.Caution{Severity: workordersv1.Caution_WARNING, Text: text, Source: "usual caution; approved data and the SDS govern"}
}

func caution(text string) *workordersv1.Caution {
	return &workordersv1.Caution{Severity: workordersv1.Caution_CAUTION, Text: text, Source: "usual caution; approved data govern"}
}

var (
	propeller = warning("Treat the propeller as live. Keep everybody out of its arc and plane; one person commands.")
	chemicals = warning("Read the safety data sheet. Wear goggles, gloves and apron; no open flame near solvents or alcohol.")
	pressure  = warning("The container is under pressure. Check relief valve and gauge; vent it before the lid is opened.")
	exhaust   = warning("Hot exhaust and hot parts. Keep the cone behind the engine clear.")
	heat      = warning("Isolate the heater supply, lock and tag it, let it cool and prove it dead before touching; it can burn and shock.")
	starter   = caution("Keep inside the starter's limits; stop at the limit. The timer shows the earliest next run.")
	blanks    = caution("A forgotten blank can stop an engine. Count what is fitted and what comes back.")
	cold      = caution("Do not let liquid freeze in the engine; keep to the temperature of the plan.")
)

func measurement(key, name, unit string, low, high *float64, tool bool) *workordersv1.MeasurementSpec {
	return &workordersv1.MeasurementSpec{
		Key: key, DisplayName: name, UnitCode: unit, MinValue: low, MaxValue: high, ToolRequired: tool, Source: "sample limit, replace by approved data",
	}
}

func do(title, instruction string, cautions ...*workordersv1.Caution) *step {
	return &step{Title: title, Kind: workordersv1.StepKind_STEP_KIND_DO, Instruction: instruction, Cautions: cautions}
}

func of(kind workordersv1.StepKind, s *step) *step {
	s.Kind = kind
	return s
}

func critical(s *step) *step {
	s.Critical = true
	return s
}

func measured(s *step, tool string, m ...*workordersv1.MeasurementSpec) *step {
	s.Kind, s.Measurements, s.RequiredTools = workordersv1.StepKind_STEP_KIND_MEASURE, m, []string{tool}
	return s
}

func prepare() []*step {
	return []*step{
		do("Check that the engine is cool enough", "Compare with the cooling time of the plan.", exhaust),
		critical(do("Isolate fuel and ignition", "Open and tag the breakers that approved data name.", propeller)),
		critical(do("Close bleed air and blank the sense lines", "Count the blanks that are fitted.", blanks)),
		measured(do("Set the container pressure", "Regulate to the pressure of the plan.", pressure), "pressure-gauge",
			measurement("container_pressure", "Container pressure", "kPa", new(100.0), new(420.0), true)),
	}
}

func restore() []*step {
	return []*step{
		critical(of(workordersv1.StepKind_STEP_KIND_RESTORE_AND_COUNT, do("Remove blanks, restore breakers, count", "As many as were fitted.", blanks))),
		do("Do the drying run", "Start and run the engine as approved data say, inside the drying limit of the plan.", propeller, exhaust),
		looked("Look that blanks are out and lines are connected", propeller),
	}
}

func document() *commonv1.DocumentReference {
	return &commonv1.DocumentReference{Title: "Sample card of the suite, to be replaced by approved data", Revision: "1"}
}

func card(id, title string, kind workordersv1.TaskCard_Kind, inspection bool, steps ...*step) *workordersv1.TaskCard {
	return &workordersv1.TaskCard{
		Name: "taskCards/" + id, DisplayName: title, Kind: kind, Revision: 1, Document: document(), Sample: true, InspectionRequired: inspection, Steps: steps,
		RequiredAuthorizations: []string{"perform"},
	}
}

// Samples are the shipped cards.
func Samples() []*workordersv1.TaskCard {
	run := func(title, text string) *step {
		return of(workordersv1.StepKind_STEP_KIND_TIMED_RUN, do(title, text, propeller, starter))
	}
	material := func(title string) *step {
		return of(workordersv1.StepKind_STEP_KIND_MATERIAL, do(title, "Scan the lot and record the amount used.", chemicals))
	}
	wash := append(prepare(), run("Motor and wash", "Runs, rests and valve times as the plan's timeline says."), material("Record the solution used"),
		do("Let it soak", "As long as the plan says.", cold), run("Motor and rinse", "Runs, rests and valve times as the plan's timeline says."), material("Record the rinse water used"))
	rinse := append(prepare(), run("Motor and rinse", "Runs, rests and valve times as the plan's timeline says."), material("Record the rinse water used"))
	return []*workordersv1.TaskCard{
		card("recovery-wash", "Compressor recovery wash (sample)", workordersv1.TaskCard_RECOVERY_WASH, true, append(wash, restore()...)...),
		card("salt-rinse", "Salt rinse (sample)", workordersv1.TaskCard_SALT_RINSE, true, append(rinse, restore()...)...),
		card("ring-flow-check", "Ring flow check (sample)", workordersv1.TaskCard_RING_FLOW_CHECK, false,
			do("Blow the ring out", "Below 200 kPa and guarded.", pressure),
			measured(do("Catch the flow for a minute", "At the gauge pressure of the wash data.", pressure), "pressure-gauge",
				measurement("caught_volume", "Volume caught in one minute", "L", new(0.1), new(20.0), false), measurement("gauge_pressure", "Gauge pressure", "kPa", new(100.0), new(420.0), true))),
		card("sense-line-heater-check", "Sense-line heater check (sample)", workordersv1.TaskCard_SENSE_LINE_HEATER_CHECK, true, heater()...),
		card("temperature-trim-check", "Temperature-trim check (sample)", workordersv1.TaskCard_TEMPERATURE_TRIM_CHECK, true, trim()...),
		card("ground-run", "Ground run before and after work, with readings (sample)", workordersv1.TaskCard_GROUND_RUN, false, groundRun()...),
	}
}
