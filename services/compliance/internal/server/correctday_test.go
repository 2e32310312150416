package server_test

import (
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// enterOn corrects the day on which something was entered, with the counters of that day.
func (w *world) enterOn(name string, right *compliancev1.Counters, entry, at *date.Date) (*compliancev1.CorrectEntryCountersResponse, error) {
	w.t.Helper()
	return w.commands.CorrectEntryCounters(w.as("quality"), &compliancev1.CorrectEntryCountersRequest{
		Name: name, Counters: right, CountersDate: at, EntryDate: entry, AuthorityReference: "log book 2, page 12", Reason: "the page is of another day",
		ReauthenticationToken: w.proof(),
	})
}

// The day of the counters was wrong: flying between the two days counts, or counts no more; flown again it is the same as if it had been entered right, and
// as it was known before, it stays.
func TestTheDayThatSomethingWasEnteredOnIsCorrected(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.clock.Advance(30 * 24 * time.Hour)
		w.everyFrom("hours", compliancev1.IntervalLimit_HOURS, 1200*3600)
		must(w.commands.CreateEngine(w.as("planner"), &compliancev1.CreateEngineRequest{EngineId: "late", Engine: &compliancev1.Engine{
			Serial: "D-LATE", EngineModel: "engineModels/demo", Counters: runs(100, 80), CountersDate: on(2026, 3, 10),
		}}))(t)
		must(w.commands.InstallEngine(w.as("planner"), &compliancev1.InstallEngineRequest{
			Name: "engines/late", Aircraft: "aircraft/plane", Position: "2", InstallDate: on(2026, 3, 4),
		}))(t)
		must(w.commands.CreateComponent(w.as("planner"), &compliancev1.CreateComponentRequest{ComponentId: "disc", Component: &compliancev1.Component{
			PartNumber: "DISC-9", Serial: "d1", DisplayName: "disc, demonstration only", Counters: runs(50, 40), CountersDate: on(2026, 3, 14),
		}}))(t)
		if err := w.put("disc", "engines/late", 5); err != nil {
			t.Fatal(err)
		}
		for day, hours := range map[int]int64{3: 1, 5: 2, 8: 4, 10: 8, 12: 16, 14: 20, 20: 23} {
			must(w.flown(day, hours))(t)
		}
		has := func(name string) int64 {
			return w.then(name, w.clock.Now(), w.clock.Now()).GetCounters().GetOperatingSeconds() / 3600
		}
		for _, c := range []struct {
			name       string
			entry      *date.Date
			entered    int64 // counters at the end of that day
			want, read int64
		}{
			{"engines/late", on(2026, 3, 7), 100, 100 + 4 + 8 + 16 + 20 + 23, 20},
			{"engines/late", on(2026, 3, 2), 100, 100 + 2 + 4 + 8 + 16 + 20 + 23, 20}, // fitted on the 4th: what was flown on the 3rd it did not fly
			{"engines/late", on(2026, 3, 12), 100, 100 + 20 + 23, 20},
			{"engines/late", on(2026, 3, 20), 90, 90, 20},
			{"engines/late", on(2026, 3, 25), 90, 90, 25},
			{"engines/late", on(2026, 3, 10), 100, 100 + 16 + 20 + 23, 20},
			{"components/disc", on(2026, 3, 7), 50, 50 + 4 + 8 + 16 + 20 + 23, 20},
			{"components/disc", on(2026, 3, 14), 50, 50 + 23, 20},
			{"aircraft/plane", on(2026, 3, 8), 1000, 1000 + 8 + 16 + 20 + 23, 20},
			{"aircraft/plane", on(2026, 3, 2), 1000, 1000 + 1 + 2 + 4 + 8 + 16 + 20 + 23, 20},
		} {
			was := has(c.name)
			before := w.clock.Now()
			then := w.then(c.name, before, before)
			w.clock.Advance(time.Hour)
			got := must(w.enterOn(c.name, runs(c.entered, 80), c.entry, nil))(t)
			if got.GetCounters().GetOperatingSeconds() != c.want*3600 || has(c.name) != c.want || !proto.Equal(got.GetEntryCorrection().GetEntryDate(), c.entry) {
				t.Errorf("%s entered on the %d.: %v, %d h, was %d; want %d", c.name, c.entry.GetDay(), got, has(c.name), was, c.want)
			}
			if after := w.then(c.name, before, before); !proto.Equal(then, after) {
				t.Errorf("%s as it was known before is\n%v, and was\n%v", c.name, after, then)
			}
			if read := w.readOf(c.name); int64(read.GetDay()) != c.read {
				t.Errorf("%s entered on the %d.: its counters are of %v", c.name, c.entry.GetDay(), read)
			}
		}
		engine := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/late"}))(t)
		if all := engine.GetEntryCorrections(); len(all) != 6 || all[1].GetPreviousEntryDate().GetDay() != 7 || all[1].GetEntryDate().GetDay() != 2 || engine.GetEntryDate().GetDay() != 10 {
			t.Errorf("%v", all)
		}
		w.wantTold("hours", "engines/late", compliancev1.DueItem_CURRENT, "now 159:00 h as of 2026-03-20, left 1041:00 h")
		if n := w.rows("SELECT COUNT(*) FROM record_chain WHERE stream = 'entries' AND kind = 'entry_corrected'"); n != 10 {
			t.Errorf("%d signed corrections", n)
		}
		w.clock.Advance(time.Hour)
		must(w.flown(21, 1))(t)
		if has("engines/late") != 160 || has("components/disc") != 74 {
			t.Errorf("%d h and %d h", has("engines/late"), has("components/disc"))
		}
		_, err := w.enterOn("engines/late", runs(100, 80), on(2026, 3, 10), nil)
		refused(t, err, "CORRECTION_NOT_ALLOWED")
		_, err = w.enterOn("engines/late", runs(100, 80), on(2026, 4, 20), nil)
		refused(t, err, "DATE_IN_FUTURE")
		_, err = w.enterOn("engines/late", runs(100, 80), on(2026, 2, 30), nil)
		refused(t, err, "DATE_INVALID")
		_, err = w.enterOn("engines/late", runs(100, 80), on(2026, 3, 12), on(2026, 3, 11))
		refused(t, err, "DATE_BEFORE_LAST")
		if has("engines/late") != 160 {
			t.Errorf("what was refused left %d h", has("engines/late"))
		}
		got := must(w.enterOn("engines/late", runs(148, 90), on(2026, 3, 9), on(2026, 3, 14)))(t)
		if got.GetEntryCorrection().GetCounters().GetOperatingSeconds() != (148-8-16-20)*3600 || got.GetCounters().GetOperatingSeconds() != (148+23+1)*3600 {
			t.Errorf("148 h on the 14th, of which 44 h were flown since the 9th: %v", got)
		}
	})
}

func (w *world) readOf(name string) *date.Date {
	w.t.Helper()
	switch name[:3] {
	case "eng":
		return must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: name}))(w.t).GetCountersDate()
	case "com":
		return must(w.queries.GetComponent(w.as("viewer"), &compliancev1.GetComponentRequest{Name: name}))(w.t).GetCountersDate()
	default:
		return must(w.queries.GetAircraft(w.as("viewer"), &compliancev1.GetAircraftRequest{Name: name}))(w.t).GetCountersDate()
	}
}

// Work recorded from papers before the day of entry stays as the papers say, whichever day that is now; work recorded from the counters that were kept here
// is lowered with them.
func TestWorkFollowsTheRightDayOfEntry(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.clock.Advance(18 * 24 * time.Hour)
		for _, id := range []string{"papers", "here"} {
			w.require(id, compliancev1.Requirement_INSPECTION, 100)
		}
		must(w.flown(4, 5))(t)
		w.done("papers", 995, on(2026, 2, 20))
		w.done("here", 1005, on(2026, 3, 5))
		w.clock.Advance(time.Hour)
		must(w.enterOn("engines/one", counters, on(2026, 3, 8), nil))(t)
		w.wantDueAt("papers", 1095)
		w.wantDueAt("here", 1100)
		w.wantBand("here", compliancev1.DueItem_CURRENT, "lowered the counters that the record of the work carries")
		w.clock.Advance(time.Hour)
		must(w.enterOn("engines/one", runs(990, 800), on(2026, 2, 10), nil))(t)
		w.wantDueAt("papers", 1095)
		w.wantDueAt("here", 1095) // 1000 h on the 8th became 990 h on the 10th of February, and 5 h were flown
		w.clock.Advance(time.Hour)
		_, err := w.enterOn("engines/one", runs(990, 800), on(2026, 3, 1), nil)
		refused(t, err, "COUNTERS_IMPLAUSIBLE") // the papers say that it had 995 h on the 20th of February
	})
}

// A part counts flying of before the day on which its engine was entered; that it came off is recorded late, and takes that flying back.
func TestALateRemovalReachesFlyingThatTheHostDoesNotCount(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.clock.Advance(30 * 24 * time.Hour)
		must(w.commands.CreateEngine(w.as("planner"), &compliancev1.CreateEngineRequest{EngineId: "late", Engine: &compliancev1.Engine{
			Serial: "D-LATE", EngineModel: "engineModels/demo", Counters: runs(100, 80), CountersDate: on(2026, 3, 20),
		}}))(t)
		must(w.commands.InstallEngine(w.as("planner"), &compliancev1.InstallEngineRequest{
			Name: "engines/late", Aircraft: "aircraft/plane", Position: "2", InstallDate: on(2026, 3, 1),
		}))(t)
		w.pump("p1", 290)
		if err := w.put("p1", "engines/late", 2); err != nil {
			t.Fatal(err)
		}
		must(w.flown(5, 3))(t)
		must(w.flown(9, 4))(t)
		part := must(w.queries.GetComponent(w.as("viewer"), &compliancev1.GetComponentRequest{Name: "components/p1"}))(t)
		if got := part.GetCounters().GetOperatingSeconds(); got != 297*3600 {
			t.Fatalf("it flew 7 h in an engine that was entered later: %d s", got)
		}
		got := must(w.commands.RemoveComponent(w.as("planner"), &compliancev1.RemoveComponentRequest{
			Name: "components/p1", RemoveDate: on(2026, 3, 7), Reason: "seal",
		}))(t)
		if got.GetCounters().GetOperatingSeconds() != 293*3600 {
			t.Errorf("it came off on the 7th, and counts %d s", got.GetCounters().GetOperatingSeconds())
		}
	})
}
