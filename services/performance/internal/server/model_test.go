package server_test

import (
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

// spoiled are engine data with one mistake each, by the reason of their refusal.
var spoiled = []struct {
	reason string
	change func(*performancev1.EngineModel)
}{
	{"DOCUMENT_MISSING", func(m *performancev1.EngineModel) {
		m.ExceedanceCharts[0].Document = &commonv1.DocumentReference{Title: "no revision"}
	}},
	{"DOCUMENT_MISSING", func(m *performancev1.EngineModel) {
		m.Signatures = []*performancev1.CauseSignature{{Cause: "fouling", Size: "1 %", IttC: 8, Document: &commonv1.DocumentReference{Title: "t"}}}
	}},
	{"LIMIT_INVALID", func(m *performancev1.EngineModel) { m.Limits[0].MaxValue = 8000 }},
	{"LIMIT_INVALID", func(m *performancev1.EngineModel) {
		m.Limits[0].Parameter = performancev1.Parameter_PARAMETER_UNSPECIFIED
	}},
	{"LIMIT_INVALID", func(m *performancev1.EngineModel) {
		m.Limits = append(m.Limits, proto.CloneOf(m.GetLimits()[0]))
	}},
	{"EXPONENT_INVALID", func(m *performancev1.EngineModel) { m.Exponents = &performancev1.CorrectionExponents{IttTheta: 98} }},
	{"TRIM_RESISTANCE_INVALID", func(m *performancev1.EngineModel) { m.Trim.Classes[0].ToleranceOhm = 100 }},
	{"TRIM_RESISTANCE_INVALID", func(m *performancev1.EngineModel) { m.Trim.Classes[0].Id = "50" }},
	{"HEATER_DATA_INVALID", func(m *performancev1.EngineModel) { m.Heater.TolerancePct = 90 }},
	{"EXCEEDANCE_CHART_INVALID", func(m *performancev1.EngineModel) { m.ExceedanceCharts[0].Zones[0].Id = "B" }},
	{"EXCEEDANCE_CHART_INVALID", func(m *performancev1.EngineModel) {
		m.ExceedanceCharts = append(m.ExceedanceCharts, proto.CloneOf(m.GetExceedanceCharts()[0]))
	}},
	{"SIGNATURE_INVALID", func(m *performancev1.EngineModel) {
		m.Signatures = []*performancev1.CauseSignature{{Cause: "gremlins", Size: "1", IttC: 8, Document: paper("t")}}
	}},
	{"SIGNATURE_INVALID", func(m *performancev1.EngineModel) {
		m.Signatures = []*performancev1.CauseSignature{{Cause: "fouling", Size: "1", Document: paper("t")}}
	}},
	{"CURRENCY_UNKNOWN", func(m *performancev1.EngineModel) { m.Advice = &performancev1.AdviceRules{CostCurrencyCode: "ZZZ"} }},
	{"CURRENCY_UNKNOWN", func(m *performancev1.EngineModel) { m.Advice = &performancev1.AdviceRules{CostCurrencyCode: "BGN"} }},
	{"REFERENCE_INVALID", func(m *performancev1.EngineModel) { m.ReferenceOatC = 130 }},
	{"BASELINE_INVALID", func(m *performancev1.EngineModel) { m.Baseline.Points = m.GetBaseline().GetPoints()[:3] }},
}

func TestEngineDataAreCheckedOnEntry(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		for _, c := range spoiled {
			m := model(t)
			c.change(m)
			of(b.CreateEngineModel(b.analyst(), &performancev1.CreateEngineModelRequest{EngineModelId: "demo", EngineModel: m})).refused(t, c.reason)
		}
		of(b.GetEngineModel(b.analyst(), &performancev1.GetEngineModelRequest{Name: modelName})).refused(t, "NOT_FOUND")
	})
}

func TestAChangeOfDataIsTheNextRevision(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		first := b.withModel(nil)
		change := &performancev1.UpdateEngineModelRequest{
			EngineModel: &performancev1.EngineModel{Name: modelName, Etag: first.GetEtag(), ReferenceOatC: 130}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"reference_oat_c"}},
		}
		of(b.UpdateEngineModel(b.analyst(), change)).refused(t, "REFERENCE_INVALID")
		change.EngineModel.ReferenceOatC = 35
		if second := of(b.UpdateEngineModel(b.analyst(), change)).done(t); second.GetRevision() != 2 || second.GetReferenceOatC() != 35 {
			t.Errorf("%v", second)
		}
		of(b.UpdateEngineModel(b.analyst(), change)).refused(t, "ETAG_MISMATCH")
		prices := &performancev1.UpdateEngineModelRequest{EngineModel: &performancev1.EngineModel{
			Name: modelName, Advice: &performancev1.AdviceRules{CostCurrencyCode: "ZZZ"},
		}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"advice"}}}
		of(b.UpdateEngineModel(b.analyst(), prices)).refused(t, "CURRENCY_UNKNOWN")
		prices.EngineModel.Advice.CostCurrencyCode = "NOK"
		if third := of(b.UpdateEngineModel(b.analyst(), prices)).done(t); third.GetAdvice().GetCostCurrencyCode() != "NOK" {
			t.Errorf("%v", third.GetAdvice())
		}
	})
}
