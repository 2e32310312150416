package server_test

import (
	"testing"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

// What was computed can be entered as it is, and is then the direction of dirt of the model.
func TestComputedSignaturesCanBeEntered(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		got := of(b.ComputeSignatures(b.as("viewer"), &performancev1.ComputeSignaturesRequest{PowerPct: 85, Oat: in("59", "[degF]")})).done(t)
		if len(got.GetSignatures()) != 10 || !got.GetDemonstrationOnly() || got.GetExplanation() == "" {
			t.Fatalf("%v", got)
		}
		m := b.withModel(func(m *performancev1.EngineModel) { m.Signatures = got.GetSignatures() })
		if s := m.GetSignatures()[0]; s.GetCause() != "fouling" || !(s.GetIttC() > 5 && s.GetIttC() < 20) {
			t.Errorf("%v", s)
		}
		of(b.ComputeSignatures(b.analyst(), &performancev1.ComputeSignaturesRequest{Oat: in("-273.15", "Cel")})).refused(t, "CONDITION_OUT_OF_RANGE")
		of(b.ComputeSignatures(b.analyst(), &performancev1.ComputeSignaturesRequest{PowerPct: 0.1})).refused(t, "CONDITION_OUT_OF_RANGE")
		of(b.ComputeSignatures(b.analyst(), &performancev1.ComputeSignaturesRequest{PressureAltitude: in("1", "kg")})).refused(t, "UNIT_MISMATCH")
	})
}
