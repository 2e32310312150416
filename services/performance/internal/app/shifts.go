package app

import (
	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/analysis"
)

// checks separate a cause from the others.
var checks = map[string]string{
	"fouling": "Wash the compressor and measure the recovery.", "hot_section": "Inspect the hot section as the approved maintenance data say.",
	"bleed_leak": "Check the bleed valves, ducts and seals for leaks.", "itt_indication": "Check the temperature harness, its trim and the indicator.",
	"torque_indication": "Check the calibration of the torque indication.", "fuel_flow_indication": "Check the calibration of the fuel-flow indication.",
	"ng_indication": "Check the speed sensor and its indicator.", "power_turbine": "Compare torque at equal fuel flow with the other engine, then inspect the power turbine.",
	"combustion": "Test the fuel nozzles.", "inlet": "Look for a blocked or damaged inlet.",
	analysis.AirData: "Check the air temperature and altitude indications that both engines share.",
	"other":          "Compare the readings with their log, then look at everything done that day.",
}

// shiftsOf tells each shift with its causes; what is less probable than one in a hundred is left out.
func shiftsOf(result analysis.Result) []*performancev1.Shift {
	var out []*performancev1.Shift
	for _, s := range result.Shifts {
		shift := &performancev1.Shift{
			DetectTime: timestamppb.New(s.DetectedAt), OnsetTime: timestamppb.New(s.Onset), Gradual: s.Gradual,
			Change: &performancev1.Deviation{IttC: s.Change.ITT, NgPct: s.Change.Ng, FuelFlowPct: s.Change.Fuel},
		}
		shift.Verdict = verdictOf(s.Named)
		for _, c := range s.Causes {
			if c.Probability >= leastProbable {
				shift.Causes = append(shift.Causes, &performancev1.Cause{
					Cause: c.Name, Probability: c.Probability, NextCheck: nextCheck(s, c.Name), SupportingEvidence: c.For, OpposingEvidence: c.Against,
				})
			}
		}
		for _, step := range s.Steps {
			shift.Steps = append(shift.Steps, stepOf(step))
		}
		out = append(out, shift)
	}
	return out
}

// nextCheck is the check that would separate a cause; what was found sound or faulty since the change began is not proposed again.
func nextCheck(s analysis.Shift, cause string) string {
	for _, c := range s.Checks {
		switch {
		case c.Cause != cause:
		case c.Sound:
			return c.Words() + " It need not be checked again for this change."
		default:
			return c.Words() + " Correct it as the approved maintenance data say, then compare the readings."
		}
	}
	return checks[cause]
}

const leastProbable = 0.01

func verdictOf(named bool) string {
	if named {
		return "named"
	}
	return "cannot_tell"
}

func stepOf(s analysis.Step) *performancev1.CauseStep {
	out := &performancev1.CauseStep{StepTime: timestamppb.New(s.At), Evidence: s.Evidence, Verdict: verdictOf(s.Named)}
	for _, c := range s.Causes {
		if c.Probability >= leastProbable {
			out.Causes = append(out.Causes, &performancev1.Cause{Cause: c.Name, Probability: c.Probability})
		}
	}
	return out
}
