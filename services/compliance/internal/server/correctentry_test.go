package server_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/recordpack"
)

// reenter corrects what something was entered with; a day says at whose end the counters are right.
func (w *world) reenter(name string, right *compliancev1.Counters, at *date.Date, roles ...string) (*compliancev1.CorrectEntryCountersResponse, error) {
	w.t.Helper()
	return w.commands.CorrectEntryCounters(w.as(roles...), &compliancev1.CorrectEntryCountersRequest{
		Name: name, Counters: right, CountersDate: at, AuthorityReference: "log book 2, page 12", Reason: "a digit too many", ReauthenticationToken: w.proof(),
	})
}

func runs(hours, cycles int64) *compliancev1.Counters {
	return &compliancev1.Counters{OperatingSeconds: hours * 3600, Cycles: cycles, Starts: cycles}
}

func TestEntryCountersAreCorrectedOnWhateverHasCounters(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.everyFrom("hours", compliancev1.IntervalLimit_HOURS, 1200*3600)
		must(w.commands.CreateComponent(w.as("planner"), &compliancev1.CreateComponentRequest{ComponentId: "pump", Component: &compliancev1.Component{
			PartNumber: "PUMP-1", Serial: "p1", DisplayName: "pump, demonstration only", Counters: runs(1000, 800), CountersDate: on(2026, 3, 1),
		}}))(t)
		if err := w.put("pump", "engines/one", 2); err != nil {
			t.Fatal(err)
		}
		w.fly(5)
		for _, name := range []string{"aircraft/plane", "engines/one", "components/pump"} {
			w.clock.Advance(time.Hour)
			at := w.clock.Now()
			before := w.then(name, at, at)
			w.clock.Advance(time.Hour)
			got := must(w.reenter(name, runs(1100, 900), nil, "quality"))(t)
			if got.GetCounters().GetOperatingSeconds() != 1105*3600 || got.GetCounters().GetCycles() != 901 {
				t.Errorf("%s has now %v", name, got.GetCounters())
			}
			c := got.GetEntryCorrection()
			if c.GetPreviousCounters().GetOperatingSeconds() != 1000*3600 || c.GetCounters().GetOperatingSeconds() != 1100*3600 || c.GetPerson() != "people/ada" ||
				c.GetReason() != "a digit too many" || c.GetAuthorityReference() != "log book 2, page 12" || !c.GetCorrectTime().AsTime().Equal(w.clock.Now()) {
				t.Errorf("%s was corrected with %v", name, c)
			}
			if after := w.then(name, at, at); !proto.Equal(before, after) || after.GetCounters().GetOperatingSeconds() != 1005*3600 {
				t.Errorf("%s as it was known then is\n%v, and was\n%v", name, after, before)
			}
			if now := w.then(name, at, w.clock.Now()).GetCounters(); now.GetOperatingSeconds() != 1105*3600 {
				t.Errorf("%s that day as it is known now: %v", name, now)
			}
			for kind, query := range map[string]string{
				"signed corrections": "SELECT COUNT(*) FROM record_chain WHERE stream = 'entries' AND kind = 'entry_corrected' AND subject = $1",
				"facts":              "SELECT COUNT(*) FROM outbox WHERE type = 'coldsection.compliance.counters.corrected.v1' AND subject = $1",
			} {
				if n := w.rows(query, name); n != 1 {
					t.Errorf("%s: %d %s", name, n, kind)
				}
			}
		}
		w.wantTold("hours", "engines/one", compliancev1.DueItem_CURRENT, "left 95:00 h")
		engine := must(w.queries.GetEngine(w.as("viewer"), &compliancev1.GetEngineRequest{Name: "engines/one"}))(t)
		if all := engine.GetEntryCorrections(); len(all) != 1 || engine.GetEntryCounters().GetCycles() != 900 {
			t.Errorf("the engine shows what it was: %v", engine)
		}
		w.fly(2)
		w.wantTold("hours", "engines/one", compliancev1.DueItem_CURRENT, "left 93:00 h")
	})
}

// Counters are right at the end of a day: what was recorded as flown by then is in them, what was flown since is not.
func TestCorrectedCountersAreOfADay(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.clock.Advance(18 * 24 * time.Hour)
		for _, day := range []int{3, 10, 15} {
			must(w.flown(day, 5))(t)
		}
		got := must(w.reenter("engines/one", runs(110, 80), on(2026, 3, 10), "quality"))(t)
		if got.GetCounters().GetOperatingSeconds() != 115*3600 || got.GetEntryCorrection().GetCounters().GetOperatingSeconds() != 100*3600 {
			t.Errorf("110 h on the 10th, 10 h of them flown here, and 5 h since: %v", got)
		}
		for _, c := range []struct {
			right  *compliancev1.Counters
			at     *date.Date
			reason string
		}{
			{runs(9, 80), on(2026, 3, 10), "COUNTERS_IMPLAUSIBLE"}, {runs(110, 80), on(2026, 2, 28), "DATE_BEFORE_LAST"}, {runs(110, 80), on(2026, 3, 25), "DATE_IN_FUTURE"},
			{runs(115, 81), on(2026, 3, 19), ""},
		} {
			_, err := w.reenter("engines/one", c.right, c.at, "quality")
			if c.reason != "" {
				refused(t, err, c.reason)
			} else if err != nil {
				t.Errorf("%v on %v: %v", c.right, c.at, err)
			}
		}
	})
}

// Work that was recorded from counters that were too high would count from hours that the engine never had: the correction lowers it, as one of flying
// does, and says so. The record of before the suite stands in the papers and stays. A correction upwards never makes an interval last longer.
func TestWorkRecordedFromWrongEntryCountersIsLoweredWithThem(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.everyFrom("plain", compliancev1.IntervalLimit_HOURS, 9000*3600)
		w.require("here", compliancev1.Requirement_INSPECTION, 100)
		w.require("papers", compliancev1.Requirement_INSPECTION, 200)
		w.done("papers", 95, on(2026, 1, 20))
		w.fly(5)
		w.done("here", 1005, on(2026, 3, 2))
		before := w.clock.Now()
		w.clock.Advance(time.Hour)
		must(w.reenter("engines/one", runs(100, 80), nil, "quality"))(t)
		w.wantDueAt("here", 205)
		w.wantDueAt("papers", 295)
		w.wantBand("here", compliancev1.DueItem_CURRENT, "lowered the counters that the record of the work carries")
		if got := w.item("here").GetLastDoneCounters().GetOperatingSeconds(); got != 1005*3600 {
			t.Errorf("what was signed stays: %d s", got)
		}
		w.clock.Advance(time.Hour)
		must(w.reenter("engines/one", runs(600, 80), nil, "quality"))(t)
		w.wantDueAt("here", 705)
		must(w.reenter("engines/one", runs(2000, 80), nil, "quality"))(t)
		w.wantDueAt("here", 1105)
		then := w.then("engines/one", before, before)
		for _, item := range then.GetDueItems() {
			if item.GetRequirementCode() == "here" && item.GetRemaining()[0].GetDueCounter() != 1105*3600 {
				t.Errorf("as it was known before any correction: %v", item)
			}
		}
	})
}

func TestRefusedCorrectionsOfAnEntryLeaveNoTrace(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.require("papers", compliancev1.Requirement_INSPECTION, 100)
		w.done("papers", 910, on(2026, 1, 20))
		w.bare("bare", nil)
		req := func(change func(*compliancev1.CorrectEntryCountersRequest)) *compliancev1.CorrectEntryCountersRequest {
			r := &compliancev1.CorrectEntryCountersRequest{
				Name: "engines/one", Counters: runs(950, 700), AuthorityReference: "log", Reason: "a slip", ReauthenticationToken: w.proof(),
			}
			change(r)
			return r
		}
		for _, c := range []struct {
			reason, role string
			change       func(*compliancev1.CorrectEntryCountersRequest)
		}{
			{"ROLE_MISSING", "planner", func(*compliancev1.CorrectEntryCountersRequest) {}},
			{"CORRECTION_REASON_MISSING", "quality", func(r *compliancev1.CorrectEntryCountersRequest) { r.Reason = "" }},
			{"REAUTHENTICATION_NEEDED", "quality", func(r *compliancev1.CorrectEntryCountersRequest) { r.ReauthenticationToken = "x" }},
			{"ETAG_MISMATCH", "quality", func(r *compliancev1.CorrectEntryCountersRequest) { r.Etag = "v99" }},
			{"NOT_FOUND", "quality", func(r *compliancev1.CorrectEntryCountersRequest) { r.Name = "engines/none" }},
			{"NOT_FOUND", "quality", func(r *compliancev1.CorrectEntryCountersRequest) { r.Name = "people/ada" }},
			{"CORRECTION_NOT_ALLOWED", "quality", func(r *compliancev1.CorrectEntryCountersRequest) { r.Counters = counters }},
			{"CORRECTION_NOT_ALLOWED", "quality", func(r *compliancev1.CorrectEntryCountersRequest) { r.Name = "engines/bare" }},
			{"COUNTERS_IMPLAUSIBLE", "quality", func(r *compliancev1.CorrectEntryCountersRequest) { r.Counters = runs(900, 700) }},
		} {
			_, err := w.commands.CorrectEntryCounters(w.as(c.role), req(c.change))
			refused(t, err, c.reason)
			if c.reason == "COUNTERS_IMPLAUSIBLE" && !strings.Contains(fmt.Sprint(err), "910:00 h") {
				t.Errorf("it names the record that speaks against it: %v", err)
			}
		}
		if w.hours() != 1000 || w.rows("SELECT COUNT(*) FROM record_chain WHERE stream = 'entries'") != 0 {
			t.Errorf("the engine has %d h", w.hours())
		}
	})
}

// A component's history and entry are corrected at once, too: work recorded from what it came with follows.
func TestACorrectedHistoryLowersWorkToo(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.pump("p1", 290)
		w.forComponents("check", func(r *compliancev1.Requirement) { r.Repeat = limit(compliancev1.IntervalLimit_HOURS, 300*3600) })
		must(w.commands.CreateAccomplishment(w.as("quality"), &compliancev1.CreateAccomplishmentRequest{
			Parent: "requirements/check", ReauthenticationToken: w.proof(), Accomplishment: &compliancev1.Accomplishment{
				Subject: "components/p1", DoneDate: on(2026, 3, 2), Counters: runs(290, 0), LateEntryReason: "the order was on paper",
			},
		}))(t)
		w.clock.Advance(time.Hour)
		part := must(w.commands.CorrectComponentHistory(w.as("quality"), &compliancev1.CorrectComponentHistoryRequest{
			Name: "components/p1", Reason: "the card says 90", ReauthenticationToken: w.proof(), EntryCounters: runs(90, 0),
		}))(t)
		if c := part.GetEntryCorrections(); len(c) != 1 || c[0].GetPreviousCounters().GetOperatingSeconds() != 290*3600 {
			t.Errorf("%v", part)
		}
		if got := w.dueOn("check", "components/p1").GetRemaining(); len(got) == 0 || got[0].GetDueCounter() != 390*3600 {
			t.Errorf("done at 90 h in truth, every 300 h: %v", got)
		}
	})
}

// The record pack of a thing shows who signed that its entry was wrong.
func TestARecordPackShowsCorrectionsOfEntries(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		audited(w)
		must(w.reenter("engines/one", runs(1100, 900), nil, "quality"))(t)
		w.clock.Advance(time.Hour)
		at := w.clock.Now()
		pack, file := w.packed("engines/one", at, at)
		if r := recordpack.Verify(file, pack.GetPublicKey()); len(r.Faults) > 0 {
			t.Fatalf("%+v", r)
		}
		for _, want := range []string{`"stream": "entries"`, "entry_corrected"} {
			if chain := unpacked(t, file)["chain.json"]; !strings.Contains(chain, want) {
				t.Errorf("the chain lacks %s:\n%s", want, chain)
			}
		}
	})
}
