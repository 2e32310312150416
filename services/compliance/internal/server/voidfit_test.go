package server_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// void takes an entry of a fitting back.
func (w *world) void(f *compliancev1.Fitting, change func(*compliancev1.VoidFittingRequest)) (*compliancev1.Fitting, error) {
	w.t.Helper()
	req := &compliancev1.VoidFittingRequest{Name: f.GetName(), Reason: "another engine was fitted", ReauthenticationToken: w.proof()}
	if change != nil {
		change(req)
	}
	return w.commands.VoidFitting(w.as("quality"), req)
}

// Engine two was never fitted: what flew since is not its own, the engine that was there in truth gets it, and as it was known before
// nothing changes (check QUA-01; handbook 7, rule 2: voided in error by entry).
func TestAFittingThatWasNeverTrueIsTakenBack(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		w.swapped() // 3 h of the 12th are engine two's
		w.clock.Advance(time.Hour)
		known := w.clock.Now()
		before := map[string]*compliancev1.ComplianceStatus{}
		for _, subject := range []string{"engines/one", "engines/two", "aircraft/plane"} {
			before[subject] = w.then(subject, known, known)
		}
		w.clock.Advance(time.Hour)
		wrong := w.fitting("engines/two")
		gone := must(w.void(wrong, nil))(t)
		if gone.GetVoidReason() == "" || gone.GetVoider() != "people/ada" || gone.GetCorrection() != gone.GetName() {
			t.Errorf("%v", gone)
		}
		w.wantAt("engine two taken back", 1006, 500)
		engine := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/two"}))(t)
		plane := must(w.queries.GetAircraft(w.as("viewer"), &compliancev1.GetAircraftRequest{Name: "aircraft/plane"}))(t)
		if engine.GetAircraft() != "" || engine.GetPosition() != "" || len(plane.GetEngines()) != 0 {
			t.Errorf("%v on %v", engine, plane)
		}
		if err := w.install("one", on(2026, 3, 11)); err != nil {
			t.Fatal(err)
		}
		w.wantAt("engine one was on the aircraft", 1009, 500)
		for subject, was := range before {
			if is := w.then(subject, known, known); !proto.Equal(was, is) {
				t.Errorf("%s as it was known then is\n%v, and was\n%v", subject, is, was)
			}
		}
		if got := w.then("aircraft/plane", known, w.clock.Now()); len(got.GetDueItems()) != 1 || got.GetDueItems()[0].GetSubject() != "engines/one" {
			t.Errorf("as it is known now: %v", got)
		}
		if w.rows("SELECT COUNT(*) FROM record_chain WHERE stream = 'fittings' AND kind = 'voided'") != 1 {
			t.Error("nobody signed it")
		}
		_, err := w.void(wrong, nil)
		refused(t, err, "ALREADY_CORRECTED")
		_, err = w.amend(wrong, func(r *compliancev1.CorrectFittingRequest) { r.InstallDate = on(2026, 3, 11) })
		refused(t, err, "ALREADY_CORRECTED")
	})
}

// A stay that ended is taken back as well, and so is a component's.
func TestAStayThatEndedAndAComponentsAreTakenBack(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.lifeLimit("demo", 5000, on(2020, 1, 1))
		w.disc("d1", 100, stay(0, 100, 100, 100))
		w.swapped()
		if err := w.put("d1", "engines/two", 2); err != nil {
			t.Fatal(err)
		}
		w.legs(13, 2, 2)
		if got := w.life("d1"); got.GetUsedCycles() != 102 {
			t.Errorf("%v", got)
		}
		must(w.void(w.fitting("components/d1"), nil))(t)
		if got := w.life("d1"); got.GetUsedCycles() != 100 || got.GetHost() != "" {
			t.Errorf("it was never in engine two: %v", got)
		}
		must(w.void(w.fitting("engines/one"), nil))(t)
		w.wantAt("the stay of engine one taken back", 1000, 504)
	})
}

// A wrong position is corrected as a wrong day is.
func TestAWrongPositionIsCorrected(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.swapped()
		right := must(w.amend(w.fitting("engines/two"), func(r *compliancev1.CorrectFittingRequest) { r.Position = "2" }))(t)
		engine := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/two"}))(t)
		if right.GetPosition() != "2" || engine.GetPosition() != "2" || engine.GetAircraft() != "aircraft/plane" {
			t.Errorf("%v, %v", right, engine)
		}
		w.wantAt("at another position", 1006, 503)
		if err := w.install("one", on(2026, 3, 12)); err != nil {
			t.Errorf("position 1 is free: %v", err)
		}
		_, err := w.amend(w.fitting("engines/two"), func(r *compliancev1.CorrectFittingRequest) { r.Position = "1" })
		refused(t, err, "POSITION_TAKEN")
	})
}

func TestRefusedVoidsLeaveNoTrace(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.swapped()
		two := w.fitting("engines/two")
		before := w.everyTable()
		for reason, change := range map[string]func(*compliancev1.VoidFittingRequest){
			"CORRECTION_REASON_MISSING": func(r *compliancev1.VoidFittingRequest) { r.Reason = "" },
			"FIELD_INVALID":             func(r *compliancev1.VoidFittingRequest) { r.ReauthenticationToken = "" },
			"REAUTHENTICATION_NEEDED":   func(r *compliancev1.VoidFittingRequest) { r.ReauthenticationToken = "x" },
			"ETAG_MISMATCH":             func(r *compliancev1.VoidFittingRequest) { r.Etag = "v9" },
			"NOT_FOUND":                 func(r *compliancev1.VoidFittingRequest) { r.Name = "fittings/none" },
		} {
			_, err := w.void(two, change)
			refused(t, err, reason)
		}
		_, err := w.commands.VoidFitting(w.as("planner"), &compliancev1.VoidFittingRequest{Name: two.GetName(), Reason: "x", ReauthenticationToken: w.proof()})
		refused(t, err, "ROLE_MISSING")
		must(w.void(two, func(r *compliancev1.VoidFittingRequest) { r.ValidateOnly = true }))(t)
		if after := w.everyTable(); after != before {
			t.Errorf("the refusals left\n%s\n, and before there was\n%s", after, before)
		}
	})
}
