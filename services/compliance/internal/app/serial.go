package app

import (
	"cmp"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/fault"
)

// correctSerial keeps what an engine was recorded under when its serial number changes, and refuses to change it in passing: signatures and directives
// follow an engine by it. Reason: SERIAL_CORRECTION_INCOMPLETE.
func (u unit) correctSerial(engine *compliancev1.Engine, req *compliancev1.UpdateEngineRequest, before string) error {
	if engine.GetSerial() == before {
		return nil
	}
	var missing []string
	if !slices.Contains(req.GetUpdateMask().GetPaths(), "serial") {
		missing = append(missing, "serial in update_mask")
	}
	if req.GetEngine().GetEtag() == "" {
		missing = append(missing, "the etag that you read")
	}
	reason := strings.TrimSpace(req.GetSerialCorrectionReason())
	if reason == "" {
		missing = append(missing, "the reason in serial_correction_reason")
	}
	if len(missing) > 0 {
		return fault.Precondition("SERIAL_CORRECTION_INCOMPLETE", "%s has the serial number %s, and its records stand under it. To correct it to %s, send %s.", engine.GetName(), before,
			engine.GetSerial(), strings.Join(missing, ", "))
	}
	engine.SerialCorrections = append(engine.SerialCorrections, &compliancev1.SerialCorrection{
		Serial: before, Reason: reason, Corrector: cmp.Or(u.caller.Person, u.caller.Account), CorrectTime: timestamppb.New(u.now),
	})
	return nil
}
