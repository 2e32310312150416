package server_test

import (
	"strings"
	"testing"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

// advised is how many washes are advised for the trend of dirt that comes evenly, and what the assessment says it rests on.
func advised(t *testing.T, b bench, change func(*performancev1.EngineModel)) (int, string) {
	t.Helper()
	b.withModel(change)
	b.fly(worn{days: 100, noise: 1, dirt: func(day int) float64 { return 0.01 * float64(day) }})
	got := of(b.ListWashAdvices(b.analyst(), &performancev1.ListWashAdvicesRequest{Parent: engineName, Filter: "cause = trend"})).done(t)
	now := of(b.GetAssessment(b.analyst(), &performancev1.GetAssessmentRequest{Name: engineName + "/assessment"})).done(t)
	return len(got.GetWashAdvices()), strings.Join(now.GetSources(), "\n")
}

// Ten °C in a hundred days are worth a wash where five are, and not where twenty are; the assessment names which and whose.
func TestTheModelSaysWhatIsWorthAWash(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		n, sources := advised(t, b, func(m *performancev1.EngineModel) { m.Advice = &performancev1.AdviceRules{WorthIttC: 3} })
		if n != 1 || !strings.Contains(sources, "worth a wash: 3.0 °C, of "+modelName+" revision 1") {
			t.Errorf("%d advices; %s", n, sources)
		}
	})
	benches(t, func(t *testing.T, b bench) {
		n, sources := advised(t, b, func(m *performancev1.EngineModel) { m.Advice = &performancev1.AdviceRules{WorthIttC: 20} })
		if n != 0 || !strings.Contains(sources, "worth a wash: 20.0 °C") {
			t.Errorf("%d advices; %s", n, sources)
		}
	})
}

func TestAnAssessmentNamesItsSignatures(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		_, sources := advised(t, b, func(m *performancev1.EngineModel) {
			m.Advice = nil
			m.Signatures = []*performancev1.CauseSignature{{Cause: "bleed_leak", Size: "1 %", IttC: 9, NgPct: 0.1, FuelFlowPct: 1, Document: paper("Signatures")}}
		})
		for _, want := range []string{
			"Signature of bleed_leak: Signatures (demonstration only) revision A", "Signatures of fouling, hot_section, itt_indication", "worth a wash: 6.6 °C, which goes with 3 % of power",
		} {
			if !strings.Contains(sources, want) {
				t.Errorf("%q is not in %s", want, sources)
			}
		}
	})
}

// What an engine's model says of how causes come is what is weighed and named; what it leaves out is named as usual.
func TestAnAssessmentNamesHowCausesCome(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		_, sources := advised(t, b, func(m *performancev1.EngineModel) {
			m.Signatures = []*performancev1.CauseSignature{{
				Cause: "bleed_leak", Size: "1 %", IttC: 9, NgPct: 0.1, FuelFlowPct: 1, Document: paper("Signatures"), UsualSize: 2, Prior: 4, SlowPct: 30,
			}}
			m.DirtKinds = &performancev1.DirtKinds{IttC: 0.7, NgPct: 0.2, SpreadPct: 1, Document: paper("Dirt")}
		})
		for _, want := range []string{
			"Usual size of bleed_leak: 2 times its signature, of Signatures (demonstration only) revision A", "How often bleed_leak comes beside the others: 4, of Signatures",
			"How often bleed_leak comes slowly: 30 %, of Signatures", "Kinds of dirt: Dirt (demonstration only) revision A; " + modelName + ", revision 1",
			"All else of how big, how often and how fast causes come is common practice, no source",
		} {
			if !strings.Contains(sources, want) {
				t.Errorf("%q is not in %s", want, sources)
			}
		}
		for name, spoil := range map[string]func(m *performancev1.EngineModel){
			"SIGNATURE_INVALID": func(m *performancev1.EngineModel) { m.DirtKinds = &performancev1.DirtKinds{Document: paper("Dirt")} },
			"FIELD_INVALID": func(m *performancev1.EngineModel) {
				m.DirtKinds = &performancev1.DirtKinds{IttC: 1, SpreadPct: -1, Document: paper("Dirt")}
			},
			"DOCUMENT_MISSING": func(m *performancev1.EngineModel) {
				m.DirtKinds = &performancev1.DirtKinds{IttC: 1, Document: paper("Dirt")}
				m.DirtKinds.Document.Revision = ""
			},
		} {
			m := model(t)
			spoil(m)
			of(b.CreateEngineModel(b.analyst(), &performancev1.CreateEngineModelRequest{EngineModel: m})).refused(t, name)
		}
	})
}
