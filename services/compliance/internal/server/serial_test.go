package server_test

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/fault"
)

// A serial number is not changed in passing: a correction names it, comes with what was read and says why; who made it is kept with what the engine was
// recorded under before. What is not corrected changes as ever.
func TestASerialNumberIsCorrectedOnPurpose(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.lent()
		read := func() *compliancev1.Engine {
			return must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/one"}))(t)
		}
		before := read()
		correct := func(etag, reason string, paths ...string) (*compliancev1.Engine, error) {
			return w.commands.UpdateEngine(w.as("planner"), &compliancev1.UpdateEngineRequest{
				Engine:     &compliancev1.Engine{Name: "engines/one", Serial: "RIGHT-1", EngineModel: before.GetEngineModel(), Etag: etag},
				UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}, SerialCorrectionReason: reason,
			})
		}
		for what, c := range map[string]struct {
			etag, reason string
			paths        []string
		}{
			"serial in update_mask": {before.GetEtag(), "misread", nil},
			"the etag":              {"", "misread", []string{"serial"}},
			"the reason":            {before.GetEtag(), "", []string{"serial"}},
		} {
			_, err := correct(c.etag, c.reason, c.paths...)
			f, _ := fault.As(err)
			if f == nil || f.Reason != "SERIAL_CORRECTION_INCOMPLETE" || !strings.Contains(f.Message, what) || !strings.Contains(f.Message, before.GetSerial()) {
				t.Errorf("without %s: %v", what, err)
			}
		}
		_, err := correct(before.GetEtag(), "misread", "*")
		refused(t, err, "SERIAL_CORRECTION_INCOMPLETE")
		_, err = correct("v0", "misread", "serial")
		refused(t, err, "ETAG_MISMATCH")
		if now := read(); now.GetSerial() != before.GetSerial() || now.GetEtag() != before.GetEtag() {
			t.Errorf("refused, and now %v", now)
		}
		must(correct(before.GetEtag(), "misread on the data plate", "serial"))(t)
		now := read()
		if c := now.GetSerialCorrections(); len(c) != 1 || c[0].GetSerial() != before.GetSerial() || c[0].GetReason() != "misread on the data plate" ||
			c[0].GetCorrector() == "" || c[0].GetCorrectTime() == nil {
			t.Errorf("%v", now)
		}
		if now.GetSerial() != "RIGHT-1" || !slices.Equal(now.GetEmbodied(), before.GetEmbodied()) {
			t.Errorf("%v", now)
		}
		now.Owner = "west" // the same serial number again, whole, is no correction
		if again := must(w.commands.UpdateEngine(w.as("planner"), &compliancev1.UpdateEngineRequest{Engine: now}))(t); again.GetOwner() != "west" || len(again.GetSerialCorrections()) != 1 {
			t.Errorf("%v", again)
		}
	})
}
