package server_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/fault"
)

// enter records an entry of the past that was done at so many hours, in place of another when that is named.
func (w *world) enter(id string, hours int64, replaces string) (*compliancev1.Accomplishment, error) {
	w.t.Helper()
	return w.commands.CreateAccomplishment(w.as("quality"), &compliancev1.CreateAccomplishmentRequest{
		Parent: "requirements/" + id, ReauthenticationToken: w.proof(), Accomplishment: &compliancev1.Accomplishment{
			Subject: "engines/one", DoneDate: on(2026, 1, 20), Counters: &compliancev1.Counters{OperatingSeconds: hours * 3600},
			LateEntryReason: "copied from the paper log", Supersedes: replaces,
		},
	})
}

// R24. Rows INT-05 to INT-08 of the cases: a signed entry stays as it is; a correction is a new one that names the head of the
// line and says why; the corrected entry is marked and counts no more.
func TestACorrectedRecordStaysAndNoLongerCounts(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("check", compliancev1.Requirement_INSPECTION, 100)
		wrong := must(w.enter("check", 990, ""))(t)
		w.clock.Advance(time.Minute)
		right := must(w.enter("check", 910, wrong.GetName()))(t)
		w.wantBand("check", compliancev1.DueItem_NEAR, "from 910:00 h + 100:00 h = 1010:00 h")
		_, err := w.enter("check", 920, wrong.GetName())
		refused(t, err, "ALREADY_CORRECTED")
		_, err = w.commands.CreateAccomplishment(w.as("quality"), &compliancev1.CreateAccomplishmentRequest{
			Parent: "requirements/check", ReauthenticationToken: w.proof(), Accomplishment: &compliancev1.Accomplishment{
				Subject: "engines/one", DoneDate: on(2026, 1, 20), Counters: &compliancev1.Counters{OperatingSeconds: 920 * 3600}, Supersedes: right.GetName(),
			},
		})
		refused(t, err, "LATE_ENTRY_REASON_MISSING")
		w.clock.Advance(time.Minute)
		last := must(w.enter("check", 920, right.GetName()))(t)
		w.wantBand("check", compliancev1.DueItem_NEAR, "from 920:00 h")
		all := must(w.queries.ListAccomplishments(w.as("viewer"), &compliancev1.ListAccomplishmentsRequest{Parent: "requirements/check", OrderBy: "create_time"}))(t)
		line := all.GetAccomplishments()
		if len(line) != 3 || line[0].GetSuccessor() != right.GetName() || line[0].GetCounters().GetOperatingSeconds() != 990*3600 || line[1].GetSuccessor() != last.GetName() {
			t.Errorf("%v", line)
		}
		if n := w.rows("SELECT COUNT(*) FROM record_chain WHERE stream = 'accomplishments'"); n != 3 {
			t.Errorf("%d signed entries", n)
		}
	})
}

func TestRefusedCorrectionsOfRecordsLeaveNoTrace(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("check", compliancev1.Requirement_INSPECTION, 100)
		w.require("other", compliancev1.Requirement_INSPECTION, 100)
		wrong := must(w.enter("check", 990, ""))(t)
		for reason, replaces := range map[string]string{"CORRECTION_ELSEWHERE": wrong.GetName(), "NOT_FOUND": wrong.GetName() + "x"} {
			_, err := w.enter("other", 910, replaces)
			refused(t, err, reason)
		}
		_, err := w.commands.CreateAccomplishment(w.as("quality"), &compliancev1.CreateAccomplishmentRequest{
			Parent: "requirements/check", ReauthenticationToken: w.proof(), Accomplishment: &compliancev1.Accomplishment{
				Subject: "engines/one", DoneDate: on(2026, 1, 20), Counters: counters, Supersedes: wrong.GetName(),
			},
		})
		refused(t, err, "LATE_ENTRY_REASON_MISSING")
		w.wantBand("check", compliancev1.DueItem_CURRENT, "from 990:00 h")
		if n := w.rows("SELECT COUNT(*) FROM accomplishments"); n != 1 {
			t.Errorf("%d records", n)
		}
	})
}

// Fault B14: work dated long ago needs a reason and a second person.
func TestWorkOfLongAgoNeedsASecondPerson(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("check", compliancev1.Requirement_INSPECTION, 100)
		must(w.commands.CreatePerson(w.as("quality"), &compliancev1.CreatePersonRequest{PersonId: "bo", Person: &compliancev1.Person{DisplayName: "Bo"}}))(t)
		enter := func(day *date.Date, second string) (*compliancev1.Accomplishment, error) {
			return w.commands.CreateAccomplishment(w.as("quality"), &compliancev1.CreateAccomplishmentRequest{
				Parent: "requirements/check", ReauthenticationToken: w.proof(), SecondReauthenticationToken: second,
				Accomplishment: &compliancev1.Accomplishment{Subject: "engines/one", DoneDate: day, Counters: &compliancev1.Counters{}, LateEntryReason: "from paper"},
			})
		}
		for name, second := range map[string]string{"nobody": "", "the same person": w.proof(), "nonsense": "x"} {
			_, err := enter(on(2023, 3, 2), second)
			if !fault.HasReason(err, "SECOND_PERSON_NEEDED") || !strings.Contains(err.Error(), "The work of 2023-03-02 lies more than 24 months back") {
				t.Errorf("%s: %v", name, err)
			}
		}
		_, err := enter(on(2026, 3, 4), "")
		refused(t, err, "DATE_IN_FUTURE")
		if got := must(enter(on(2024, 3, 2), ""))(t); got.GetSecondPerson() != "" {
			t.Errorf("24 months back to the day: %v", got)
		}
		proof := w.proofOf("bo")
		if got := must(enter(on(2023, 3, 2), proof))(t); got.GetSecondPerson() != "people/bo" || got.GetCertifier() != "people/ada" {
			t.Errorf("%v", got)
		}
		_, err = enter(on(2023, 4, 2), proof)
		refused(t, err, "REAUTHENTICATION_NEEDED")
		_, err = enter(on(2023, 4, 2), w.proofOf("stranger"))
		refused(t, err, "NOT_FOUND")
	})
}

func TestARecordOfWorkThatWasNotDoneIsTakenBack(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("check", compliancev1.Requirement_INSPECTION, 100)
		must(w.enter("check", 910, ""))(t)
		wrong := must(w.enter("check", 990, ""))(t)
		back := &compliancev1.Accomplishment{Subject: "engines/one", DoneDate: wrong.GetDoneDate(), LateEntryReason: "another engine", Void: true}
		take := func() error {
			_, err := w.commands.CreateAccomplishment(w.as("quality"), &compliancev1.CreateAccomplishmentRequest{
				Parent: "requirements/check", ReauthenticationToken: w.proof(), Accomplishment: back,
			})
			return err
		}
		refused(t, take(), "CORRECTION_ELSEWHERE")
		back.Supersedes = wrong.GetName()
		if err := take(); err != nil {
			t.Fatal(err)
		}
		w.wantBand("check", compliancev1.DueItem_NEAR, "from 910:00 h")
	})
}
