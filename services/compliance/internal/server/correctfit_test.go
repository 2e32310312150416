package server_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// fitting is the entry of a fitting that holds now.
func (w *world) fitting(item string) *compliancev1.Fitting {
	w.t.Helper()
	list := must(w.queries.ListFittings(w.as("viewer"), &compliancev1.ListFittingsRequest{Filter: `item = "` + item + `" AND correction = ""`}))(w.t).GetFittings()
	if len(list) != 1 {
		w.t.Fatalf("%s has the entries %v", item, list)
	}
	return list[0]
}

// amend corrects a fitting to these days.
func (w *world) amend(f *compliancev1.Fitting, change func(*compliancev1.CorrectFittingRequest)) (*compliancev1.Fitting, error) {
	w.t.Helper()
	req := &compliancev1.CorrectFittingRequest{Name: f.GetName(), Reason: "read from the wrong card", ReauthenticationToken: w.proof()}
	change(req)
	return w.commands.CorrectFitting(w.as("quality"), req)
}

// swapped has engine one on the aircraft until the 10th and engine two since, with 4 h on the 5th, 2 h on the 8th and 3 h on the 12th.
func (w *world) swapped() {
	w.t.Helper()
	w.second()
	w.clock.Advance(18 * 24 * time.Hour)
	for _, err := range []error{w.remove(on(2026, 3, 10)), w.install("two", on(2026, 3, 10))} {
		if err != nil {
			w.t.Fatal(err)
		}
	}
	for day, hours := range map[int]int64{5: 4, 8: 2, 12: 3} {
		must(w.flown(day, hours))(w.t)
	}
	w.wantAt("swapped on the 10th", 1006, 503)
}

// The swap was on the 7th in truth: 2 h of the 8th were flown by engine two (rows CMP-03 and CMP-04 of the cases: a part has what it had
// when it was fitted and what its host flew since). Check QUA-01: as it was known before, nothing changes.
func TestACorrectedFittingDateMovesTheFlyingAndNotWhatWasKnown(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		w.swapped()
		w.clock.Advance(time.Hour)
		known := w.clock.Now()
		at := known.Add(-10 * 24 * time.Hour) // the 10th
		before := map[string]*compliancev1.ComplianceStatus{}
		for _, subject := range []string{"engines/one", "engines/two", "aircraft/plane"} {
			before[subject] = w.then(subject, at, known)
		}
		w.clock.Advance(time.Hour)
		must(w.amend(w.fitting("engines/one"), func(r *compliancev1.CorrectFittingRequest) { r.RemoveDate = on(2026, 3, 7) }))(t)
		w.wantAt("engine one off on the 7th", 1004, 503)
		right := must(w.amend(w.fitting("engines/two"), func(r *compliancev1.CorrectFittingRequest) { r.InstallDate = on(2026, 3, 7) }))(t)
		w.wantAt("engine two fitted on the 7th", 1004, 505)
		if right.GetCorrector() != "people/ada" || right.GetCorrectReason() == "" || right.GetCorrects() == "" || right.GetRemoveDate() != nil {
			t.Errorf("%v", right)
		}
		for subject, was := range before {
			if is := w.then(subject, at, known); !proto.Equal(was, is) {
				t.Errorf("%s as it was known then is\n%v, and was\n%v", subject, is, was)
			}
		}
		if got := w.then("aircraft/plane", at, w.clock.Now()); len(got.GetDueItems()) != 1 || got.GetDueItems()[0].GetSubject() != "engines/two" {
			t.Errorf("on the 10th as it is known now: %v", got)
		}
		if got := before["aircraft/plane"]; len(got.GetDueItems()) != 1 || got.GetDueItems()[0].GetSubject() != "engines/two" {
			t.Errorf("on the 10th as it was known: %v", got)
		}
		all := must(w.queries.ListFittings(w.as("viewer"), &compliancev1.ListFittingsRequest{}))(t).GetFittings()
		if len(all) != 4 || w.rows("SELECT COUNT(*) FROM record_chain WHERE stream = 'fittings' AND kind = 'corrected'") != 2 {
			t.Errorf("the wrong entries stay: %v", all)
		}
		if got := w.fitting("engines/two").GetFlownCounters().GetOperatingSeconds(); got != 5*3600 {
			t.Errorf("engine two flew %d s there", got)
		}
		must(w.flown(9, 1))(t)
		w.wantAt("late flying follows the right days", 1004, 506)
	})
}

// A disc that was fitted later than entered counts less, and an inspection that counts from the fitting moves with it.
func TestACorrectedFittingOfAComponentMovesItsLifeAndWhatCountsFromThere(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.lifeLimit("demo", 5000, on(2020, 1, 1))
		w.disc("d1", 100, stay(0, 100, 100, 100))
		w.forComponents("since-fitting", func(r *compliancev1.Requirement) {
			r.StartEvent, r.Initial = compliancev1.Requirement_INSTALLATION, limit(compliancev1.IntervalLimit_DAYS, 30)
			r.Applicability.PartNumbers = []string{"DISC-1"}
		})
		w.clock.Advance(18 * 24 * time.Hour)
		if err := w.put("d1", "engines/one", 2); err != nil {
			t.Fatal(err)
		}
		w.legs(3, 2, 2)
		w.legs(6, 1, 1)
		if got := w.life("d1"); got.GetUsedCycles() != 103 {
			t.Errorf("%v", got)
		}
		must(w.amend(w.fitting("components/d1"), func(r *compliancev1.CorrectFittingRequest) { r.InstallDate = on(2026, 3, 5) }))(t)
		if got := w.life("d1"); got.GetUsedCycles() != 101 {
			t.Errorf("the day that it was not there yet counts: %v", got)
		}
		if got := w.dueOn("since-fitting", "components/d1").GetDueDate(); got.GetMonth() != 4 || got.GetDay() != 4 {
			t.Errorf("30 days from the 5th are the 4th of April: %v", got)
		}
	})
}

func TestRefusedCorrectionsOfFittingsLeaveNoTrace(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.swapped()
		one, two := w.fitting("engines/one"), w.fitting("engines/two")
		before := w.everyTable()
		for reason, c := range map[string]struct {
			of     *compliancev1.Fitting
			change func(*compliancev1.CorrectFittingRequest)
		}{
			"CORRECTION_REASON_MISSING": {one, func(r *compliancev1.CorrectFittingRequest) { r.Reason, r.RemoveDate = "", on(2026, 3, 7) }},
			"FIELD_INVALID":             {one, func(r *compliancev1.CorrectFittingRequest) { r.ReauthenticationToken = "" }},
			"REAUTHENTICATION_NEEDED":   {one, func(r *compliancev1.CorrectFittingRequest) { r.ReauthenticationToken = "x" }},
			"ETAG_MISMATCH":             {one, func(r *compliancev1.CorrectFittingRequest) { r.Etag = "v9" }},
			"DATES_REVERSED":            {one, func(r *compliancev1.CorrectFittingRequest) { r.RemoveDate = on(2026, 2, 1) }},
			"DATE_BEFORE_LAST":          {two, func(r *compliancev1.CorrectFittingRequest) { r.InstallDate = on(2026, 3, 9) }},
			"POSITION_TAKEN":            {one, func(r *compliancev1.CorrectFittingRequest) { r.RemoveDate = on(2026, 3, 12) }},
			"DATE_IN_FUTURE":            {one, func(r *compliancev1.CorrectFittingRequest) { r.RemoveDate = on(2026, 5, 1) }},
			"DATE_INVALID":              {two, func(r *compliancev1.CorrectFittingRequest) { r.InstallDate = on(2026, 2, 30) }},
			"CORRECTION_NOT_ALLOWED":    {two, func(r *compliancev1.CorrectFittingRequest) { r.RemoveDate = on(2026, 3, 15) }},
		} {
			_, err := w.amend(c.of, c.change)
			refused(t, err, reason)
		}
		_, err := w.amend(one, func(*compliancev1.CorrectFittingRequest) {})
		refused(t, err, "CORRECTION_NOT_ALLOWED")
		_, err = w.commands.CorrectFitting(w.as("planner"), &compliancev1.CorrectFittingRequest{Name: one.GetName(), Reason: "x", ReauthenticationToken: w.proof()})
		refused(t, err, "ROLE_MISSING")
		dry := must(w.amend(one, func(r *compliancev1.CorrectFittingRequest) { r.RemoveDate, r.ValidateOnly = on(2026, 3, 7), true }))(t)
		if dry.GetRemoveDate().GetDay() != 7 {
			t.Errorf("%v", dry)
		}
		if after := w.everyTable(); after != before {
			t.Errorf("before %s\nafter  %s", before, after)
		}
		must(w.amend(one, func(r *compliancev1.CorrectFittingRequest) { r.RemoveDate = on(2026, 3, 7) }))(t)
		_, err = w.amend(one, func(r *compliancev1.CorrectFittingRequest) { r.RemoveDate = on(2026, 3, 6) })
		refused(t, err, "ALREADY_CORRECTED")
	})
}

// Row LLP-09 of the cases: 3,200 cycles off and 3,250 on leave a gap of 50. The paper is found: the second stay began at 3,200, and the
// part is installable. Check QUA-01: as it was known before, it is not.
func TestACorrectedHistoryClosesTheGapFromThenOn(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.lifeLimit("demo", 9000, on(2020, 1, 1))
		w.disc("gap", 4100, stay(0, 3200, 3200, 3200), stay(3250, 4100, 850, 850))
		w.clock.Advance(time.Hour)
		at := w.clock.Now()
		before := w.then("components/gap", at, at)
		w.clock.Advance(time.Hour)
		fix := &compliancev1.CorrectComponentHistoryRequest{
			Name: "components/gap", Reason: "card 12 was found", ReauthenticationToken: w.proof(),
			History: []*compliancev1.PastFitting{stay(0, 3200, 3200, 3200), stay(3200, 4100, 900, 900)},
		}
		_, err := w.commands.CorrectComponentHistory(w.as("planner"), fix)
		refused(t, err, "ROLE_MISSING")
		must(w.commands.CorrectComponentHistory(w.as("quality"), fix))(t)
		if got := w.life("gap"); !got.GetTraceable() || !got.GetInstallable() || got.GetUsedCycles() != 4100 || got.GetRemainingCycles() != 4900 {
			t.Errorf("%v", got)
		}
		if after := w.then("components/gap", at, at); !proto.Equal(before, after) || after.GetLifeStatuses()[0].GetTraceable() {
			t.Errorf("as it was known then is\n%v, and was\n%v", after, before)
		}
		if now := w.then("components/gap", at, w.clock.Now()); !now.GetLifeStatuses()[0].GetTraceable() {
			t.Errorf("that day as it is known now: %v", now)
		}
		fix.ReauthenticationToken = w.proof()
		_, err = w.commands.CorrectComponentHistory(w.as("quality"), fix)
		refused(t, err, "CORRECTION_NOT_ALLOWED")
		fix.ReauthenticationToken, fix.History = w.proof(), []*compliancev1.PastFitting{stay(5, 4, 0, 0)}
		_, err = w.commands.CorrectComponentHistory(w.as("quality"), fix)
		refused(t, err, "HISTORY_INVALID")
		fix.ReauthenticationToken, fix.Reason = w.proof(), ""
		_, err = w.commands.CorrectComponentHistory(w.as("quality"), fix)
		refused(t, err, "CORRECTION_REASON_MISSING")
		if n := w.rows("SELECT COUNT(*) FROM record_chain WHERE stream = 'components' AND kind = 'history_corrected'"); n != 1 {
			t.Errorf("%d signed corrections", n)
		}
	})
}

// A part was added with 290 h and had 280: what it flew since stays on top, and as it was known before it had 10 h less left.
func TestCorrectedEntryCountersMoveTheCountersAndWhatIsDue(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.pump("p1", 290)
		w.forComponents("check", nil)
		w.clock.Advance(18 * 24 * time.Hour)
		if err := w.put("p1", "engines/one", 2); err != nil {
			t.Fatal(err)
		}
		must(w.flown(5, 4))(t)
		w.wantLeft(w.dueOn("check", "components/p1"), 6, compliancev1.DueItem_NEAR)
		at := w.clock.Now()
		before := w.then("components/p1", at, at)
		w.clock.Advance(time.Hour)
		part := must(w.commands.CorrectComponentHistory(w.as("quality"), &compliancev1.CorrectComponentHistoryRequest{
			Name: "components/p1", Reason: "the card says 280", ReauthenticationToken: w.proof(), EntryCounters: &compliancev1.Counters{OperatingSeconds: 280 * 3600},
		}))(t)
		if part.GetCounters().GetOperatingSeconds() != 284*3600 {
			t.Errorf("%v", part)
		}
		w.wantLeft(w.dueOn("check", "components/p1"), 16, compliancev1.DueItem_NEAR)
		if after := w.then("components/p1", at, at); !proto.Equal(before, after) || after.GetCounters().GetOperatingSeconds() != 294*3600 {
			t.Errorf("as it was known then is\n%v, and was\n%v", after, before)
		}
		if now := w.then("components/p1", at, w.clock.Now()); now.GetCounters().GetOperatingSeconds() != 284*3600 {
			t.Errorf("that day as it is known now: %v", now)
		}
	})
}
