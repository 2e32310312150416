package server_test

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
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

// washing changes wash data of a model and nothing else of it.
func (b bench) washing(w *performancev1.WashData) answer[*performancev1.EngineModel] {
	return of(b.UpdateEngineModel(b.analyst(), &performancev1.UpdateEngineModelRequest{
		EngineModel: &performancev1.EngineModel{Name: modelName, Wash: w}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"wash"}},
	}))
}

// Wash data that want antifreeze where they forbid it are refused when they are entered, at the ceiling, with both temperatures; the bound itself is wanted
// and allowed.
func TestAntifreezeIsNotWantedAboveItsCeiling(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		for i, c := range []struct {
			below, ceiling float64
			says           string
		}{
			{4, 0, "at 4 °C and below, and forbidden above 0 °C"}, {4, 3.9, "at 4 °C and below, and forbidden above 3.9 °C"}, {0, -0.5, "at 0 °C and below, and forbidden above -0.5 °C"},
			{-3, -5, "at -3 °C and below, and forbidden above -5 °C"}, {4, 4, ""}, {4, 4.4, ""}, {0, 0, ""}, {-5, 0, ""},
		} {
			m, w := model(t), &performancev1.WashData{AntifreezeBelowC: c.below, AntifreezeCeilingC: c.ceiling}
			m.Wash = w
			made := of(b.CreateEngineModel(b.analyst(), &performancev1.CreateEngineModelRequest{EngineModelId: fmt.Sprintf("cold-%d", i), EngineModel: m}))
			if c.says == "" {
				if got := made.done(t).GetWash(); !proto.Equal(got, w) {
					t.Errorf("kept %v, want %v", got, w)
				}
				continue
			}
			refusesBounds(t, made, c.says)
		}
		b.withModel(func(m *performancev1.EngineModel) {
			m.Wash = &performancev1.WashData{AntifreezeBelowC: 4, AntifreezeCeilingC: 4.4}
		})
		refusesBounds(t, b.washing(&performancev1.WashData{AntifreezeBelowC: 4.5, AntifreezeCeilingC: 4.4}), "at 4.5 °C and below, and forbidden above 4.4 °C")
		refusesBounds(t, b.washing(&performancev1.WashData{AntifreezeBelowC: 4}), "at 4 °C and below, and forbidden above 0 °C")
	})
}

func refusesBounds(t *testing.T, a answer[*performancev1.EngineModel], says string) {
	t.Helper()
	a.refused(t, "ANTIFREEZE_BOUNDS_INVALID")
	refusal, ok := fault.As(a.err)
	if !ok || !strings.Contains(refusal.Message, says) || len(refusal.Violations) != 1 || refusal.Violations[0].Field != "engine_model.wash.antifreeze_ceiling_c" {
		t.Errorf("%+v does not say %q at the ceiling", refusal, says)
	}
}

// A model that was kept before its bounds were asked about is read, and revised in what has nothing to do with them; whoever states its wash data anew
// corrects them.
func TestAKeptModelWhoseAntifreezeIsForbiddenWhereItIsWanted(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		m.Wash = &performancev1.WashData{AntifreezeBelowC: 4, RinseRuns: 2}
		if err := b.db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error { return store.Models.Save(ctx, tx, m, morning) }); err != nil {
			t.Fatal(err)
		}
		kept := of(b.GetEngineModel(b.analyst(), &performancev1.GetEngineModelRequest{Name: modelName})).done(t)
		if !proto.Equal(kept.GetWash(), m.GetWash()) {
			t.Errorf("read %v", kept.GetWash())
		}
		rename := &performancev1.UpdateEngineModelRequest{
			EngineModel: &performancev1.EngineModel{Name: modelName, DisplayName: "Renamed"}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"display_name"}},
		}
		if second := of(b.UpdateEngineModel(b.analyst(), rename)).done(t); second.GetRevision() != 2 || second.GetDisplayName() != "Renamed" || !proto.Equal(second.GetWash(), m.GetWash()) {
			t.Errorf("%v", second)
		}
		refusesBounds(t, b.washing(&performancev1.WashData{AntifreezeBelowC: 4, RinseRuns: 3}), "at 4 °C and below, and forbidden above 0 °C")
		if third := b.washing(&performancev1.WashData{AntifreezeBelowC: 4, AntifreezeCeilingC: 4}).done(t); third.GetRevision() != 3 || third.GetWash().GetAntifreezeCeilingC() != 4 {
			t.Errorf("%v", third.GetWash())
		}
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
