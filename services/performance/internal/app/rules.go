package app

import (
	"fmt"
	"slices"
	"strings"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/performance/internal/baseline"
)

// rulesOf are the rules and signatures of a model as the analysis takes them.
func rulesOf(m *performancev1.EngineModel) analysis.Rules {
	rules := analysis.Rules{
		ProgrammeHours: int(m.GetAdvice().GetProgrammeHours()), ProgrammeDays: int(m.GetAdvice().GetProgrammeDays()),
		FalseAdviceDays: m.GetAdvice().GetFalseAdviceDays(), NoiseITT: m.GetNoise().GetIttC(), WorthITT: m.GetAdvice().GetWorthIttC(),
		NoiseNg: m.GetNoise().GetNgPct(), NoiseFuel: m.GetNoise().GetFuelFlowPct(),
		Signatures: map[string]baseline.Values{}, Habits: map[string]analysis.Habit{}, FlowSpread: m.GetDirtKinds().GetSpreadPct(),
		MoreFlow: baseline.Values{ITT: m.GetDirtKinds().GetIttC(), Ng: m.GetDirtKinds().GetNgPct(), Fuel: m.GetDirtKinds().GetFuelFlowPct()},
	}
	for _, s := range m.GetSignatures() {
		rules.Signatures[s.GetCause()] = baseline.Values{ITT: s.GetIttC(), Ng: s.GetNgPct(), Fuel: s.GetFuelFlowPct()}
		rules.Habits[s.GetCause()] = analysis.Habit{Size: s.GetUsualSize(), Prior: s.GetPrior(), Slow: s.GetSlowPct() / 100}
	}
	return rules
}

// sourcesOf says in words what an analysis with the rules of a model rests on.
func sourcesOf(m *performancev1.EngineModel) []string {
	var out []string
	var own []string
	for _, s := range m.GetSignatures() {
		own = append(own, s.GetCause())
		out = append(out, fmt.Sprintf("Signature of %s: %s", s.GetCause(), cite(s.GetDocument(), m)))
	}
	others := slices.DeleteFunc(analysis.Causes(), func(cause string) bool { return slices.Contains(own, cause) })
	if len(others) > 0 {
		out = append(out, fmt.Sprintf("Signatures of %s: the demonstration engine's, as %s revision %d has none; an operator's engine differs",
			strings.Join(others, ", "), m.GetName(), m.GetRevision()))
	}
	out = append(out, habitsOf(m)...)
	worth := fmt.Sprintf("Rise of ITT that is worth a wash: %.1f °C", analysis.Worth(rulesOf(m)))
	if m.GetAdvice().GetWorthIttC() > 0 {
		return append(out, fmt.Sprintf("%s, of %s revision %d", worth, m.GetName(), m.GetRevision()))
	}
	return append(out, worth+", which goes with 3 % of power lost on the demonstration engine, as the model states none")
}

// habitsOf says in words where it is known from how causes come and how kinds of dirt differ.
func habitsOf(m *performancev1.EngineModel) (out []string) {
	for _, s := range m.GetSignatures() {
		for _, habit := range []struct {
			words string
			value float64
		}{
			{"Usual size of %s: %.4g times its signature", s.GetUsualSize()}, {"How often %s comes beside the others: %.4g", s.GetPrior()},
			{"How often %s comes slowly: %.4g %%", s.GetSlowPct()},
		} {
			if habit.value > 0 {
				out = append(out, fmt.Sprintf(habit.words, s.GetCause(), habit.value)+", of "+cite(s.GetDocument(), m))
			}
		}
	}
	rest := "All else of how big, how often and how fast causes come is common practice, no source"
	if d := m.GetDirtKinds(); d != nil {
		return append(out, "Kinds of dirt: "+cite(d.GetDocument(), m), rest)
	}
	return append(out, fmt.Sprintf("Kinds of dirt: the demonstration engine's, as %s revision %d states none", m.GetName(), m.GetRevision()), rest)
}
