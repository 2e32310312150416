package server_test

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/storage"
)

// then is how a thing stood at one instant, as far as it was known at another.
func (w *world) then(subject string, at, known time.Time) *compliancev1.ComplianceStatus {
	w.t.Helper()
	return must(w.queries.GetComplianceStatus(w.as("viewer"), &compliancev1.GetComplianceStatusRequest{
		Subject: subject, AsOfTime: timestamppb.New(at), KnownAtTime: timestamppb.New(known),
	}))(w.t)
}

// Check QUA-01: what was known on a day is answered alike before and after a back-dated correction; as it is known now, the same
// day looks different.
func TestWhatWasKnownOnADayStaysWhenADayIsCorrected(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		wrong := w.fly(12)
		w.clock.Advance(time.Hour)
		day := w.clock.Now()
		for _, subject := range []string{"engines/one", "aircraft/plane"} {
			if s := w.then(subject, day, day); s.GetCompliant() || !says(s, "wash on D-1001: overdue") || s.GetCounters().GetOperatingSeconds() != 1012*3600 {
				t.Errorf("%s, as it was known: %v", subject, s)
			}
		}
		before := w.then("engines/one", day, day)
		w.clock.Advance(48 * time.Hour)
		must(w.commands.CreateUtilization(w.as("quality"), w.correction(wrong, 2)))(t)
		w.done("wash", 905, on(2026, 1, 28))
		w.clock.Advance(time.Hour)
		if after := w.then("engines/one", day, day); !proto.Equal(before, after) {
			t.Errorf("as it was known then is\n%v, and was\n%v", after, before)
		}
		known := w.then("engines/one", day, w.clock.Now())
		if !known.GetCompliant() || known.GetCounters().GetOperatingSeconds() != 1002*3600 || !known.GetAsOfTime().AsTime().Equal(day) {
			t.Errorf("as it is known now: %v", known)
		}
	})
}

func TestStatusOnADayHasTheConfigurationOfThatDay(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.second()
		wash(w)
		w.clock.Advance(8 * 24 * time.Hour)
		first := w.clock.Now()
		w.clock.Advance(24 * time.Hour)
		for _, err := range []error{w.remove(on(2026, 3, 11)), w.install("two", on(2026, 3, 11))} {
			if err != nil {
				t.Fatal(err)
			}
		}
		r := must(w.queries.GetRequirement(w.as("viewer"), &compliancev1.GetRequirementRequest{Name: "requirements/wash"}))(t)
		r.Repeat = limit(compliancev1.IntervalLimit_HOURS, 95*3600)
		must(w.commands.UpdateRequirement(w.as("quality"), &compliancev1.UpdateRequirementRequest{Requirement: r}))(t)
		w.clock.Advance(24 * time.Hour)
		now := w.clock.Now()
		if s := w.then("aircraft/plane", first, first); len(s.GetDueItems()) != 1 || s.GetDueItems()[0].GetSubject() != "engines/one" || s.GetDueItems()[0].GetRemaining()[0].GetLeft() != 10*3600 {
			t.Errorf("before the swap: %v", s)
		}
		if s := w.then("aircraft/plane", first, now); s.GetDueItems()[0].GetSubject() != "engines/one" || s.GetDueItems()[0].GetRemaining()[0].GetLeft() != 5*3600 {
			t.Errorf("before the swap, by the requirement as it is known now: %v", s)
		}
		if s := w.then("aircraft/plane", now, now); len(s.GetDueItems()) != 1 || s.GetDueItems()[0].GetSubject() != "engines/two" {
			t.Errorf("after the swap: %v", s)
		}
		if s := w.then("engines/one", start.Add(-48*time.Hour), now); s.GetCounters() != nil || !says(s, "The counters at the end of 2026-02-28 are not recorded here") {
			t.Errorf("before the counters that were entered: %v", s)
		}
	})
}

// walker does random things to one aircraft and two engines in their own corner of a world.
type walker struct {
	*world

	t     *rapid.T
	id    string
	wrong []*compliancev1.Utilization
	done  []*compliancev1.Accomplishment
	fit   string // the engine that is fitted, if any
}

func newWalker(w *world, t *rapid.T, id string) *walker {
	walk := &walker{world: w, t: t, id: id}
	quiet := func(_ any, err error) { walk.check(err) }
	quiet(w.commands.CreateAircraft(w.as("planner"), &compliancev1.CreateAircraftRequest{AircraftId: "p" + id, Aircraft: &compliancev1.Aircraft{
		Registration: "D-" + id, Regime: compliancev1.Aircraft_EASA, Counters: &compliancev1.Counters{}, CountersDate: day(w.clock.Now().AddDate(0, 0, -60)), TimeZone: "Pacific/Auckland",
		FlyingRate: &compliancev1.FlyingRate{HoursPerDay: 2},
	}}))
	for _, e := range []string{"a", "b"} {
		quiet(w.commands.CreateEngine(w.as("planner"), &compliancev1.CreateEngineRequest{EngineId: e + id, Engine: &compliancev1.Engine{
			Serial: e + id, EngineModel: "engineModels/" + id, Counters: &compliancev1.Counters{}, CountersDate: day(w.clock.Now().AddDate(0, 0, -60)),
		}}))
	}
	quiet(w.commands.CreateRequirement(w.as("planner"), &compliancev1.CreateRequirementRequest{RequirementId: "r" + id, Requirement: &compliancev1.Requirement{
		Code: "r", DisplayName: "r", Kind: compliancev1.Requirement_INSPECTION, Document: document, Rebase: compliancev1.Requirement_FROM_DUE_IF_LATE,
		Applicability: &compliancev1.Applicability{EngineModels: []string{"engineModels/" + id}}, EffectiveDate: on(2026, 1, 1),
		Initial: limit(compliancev1.IntervalLimit_HOURS, 30*3600), Repeat: limit(compliancev1.IntervalLimit_HOURS, 20*3600),
	}}))
	return walk
}

func (w *walker) check(err error) {
	if err != nil {
		w.t.Fatal(err)
	}
}

// step does one random thing; the clock then moves on.
func (w *walker) step() {
	switch rapid.SampledFrom([]string{"fly", "fly", "late", "swap", "correct", "done", "redo", "revise"}).Draw(w.t, "what") {
	case "fly":
		w.flies(0)
	case "late":
		w.flies(rapid.IntRange(1, 20).Draw(w.t, "days late"))
	case "swap":
		w.swaps()
	case "correct":
		w.corrects()
	case "done":
		w.does("")
	case "redo":
		if n := len(w.done); n > 0 {
			w.does(w.done[n-1].GetName())
		}
	case "revise":
		w.revises()
	}
	w.clock.Advance(time.Duration(rapid.IntRange(1, 40).Draw(w.t, "hours")) * time.Hour)
}

func (w *walker) flies(daysBack int) {
	e, err := w.commands.CreateUtilization(w.as("planner"), &compliancev1.CreateUtilizationRequest{Parent: "aircraft/p" + w.id, Utilization: &compliancev1.Utilization{
		FlightDate: day(w.clock.Now().AddDate(0, 0, -daysBack)), FlownSeconds: rapid.Int64Range(1, 9).Draw(w.t, "hours") * 3600, Cycles: 1, FittedItems: []string{"engines/a" + w.id},
	}})
	w.check(err)
	w.wrong = append(w.wrong, e)
}

func (w *walker) swaps() {
	now := day(w.clock.Now())
	if w.fit == "" {
		w.fit = rapid.SampledFrom([]string{"a", "b"}).Draw(w.t, "engine")
		_, err := w.commands.InstallEngine(w.as("planner"), &compliancev1.InstallEngineRequest{Name: "engines/" + w.fit + w.id, Aircraft: "aircraft/p" + w.id, Position: "1", InstallDate: now})
		w.check(err)
		return
	}
	_, err := w.commands.RemoveEngine(w.as("planner"), &compliancev1.RemoveEngineRequest{Name: "engines/" + w.fit + w.id, RemoveDate: now})
	w.check(err)
	w.fit = ""
}

func (w *walker) corrects() {
	if len(w.wrong) == 0 {
		return
	}
	i := rapid.IntRange(0, len(w.wrong)-1).Draw(w.t, "which")
	req := w.correction(w.wrong[i], rapid.Int64Range(1, 9).Draw(w.t, "hours"))
	req.Parent, req.Utilization.FittedItems = "aircraft/p"+w.id, w.wrong[i].GetFittedItems()
	right, err := w.commands.CreateUtilization(w.as("quality"), req)
	w.check(err)
	w.wrong[i] = right
}

func (w *walker) does(replaces string) {
	e, err := w.commands.CreateAccomplishment(w.as("quality"), &compliancev1.CreateAccomplishmentRequest{
		Parent: "requirements/r" + w.id, ReauthenticationToken: w.proof(), Accomplishment: &compliancev1.Accomplishment{
			Subject: "engines/a" + w.id, DoneDate: day(w.clock.Now().AddDate(0, 0, -rapid.IntRange(0, 30).Draw(w.t, "days back"))), Supersedes: replaces,
			Counters: &compliancev1.Counters{OperatingSeconds: rapid.Int64Range(0, 50).Draw(w.t, "hours") * 3600}, LateEntryReason: "paper",
		},
	})
	w.check(err)
	w.done = append(w.done, e)
}

func (w *walker) revises() {
	_, err := w.commands.UpdateRequirement(w.as("quality"), &compliancev1.UpdateRequirementRequest{Requirement: &compliancev1.Requirement{
		Name: "requirements/r" + w.id, Repeat: limit(compliancev1.IntervalLimit_HOURS, rapid.Int64Range(10, 40).Draw(w.t, "hours")*3600),
	}})
	w.check(err)
}

// mine leaves out the requirements of other walks.
func (w *walker) mine(s *compliancev1.ComplianceStatus, err error) *compliancev1.ComplianceStatus {
	w.check(err)
	var items []*compliancev1.DueItem
	for _, i := range s.GetDueItems() {
		if i.GetRequirement() == "requirements/r"+w.id {
			items = append(items, i)
		}
	}
	s.DueItems = items
	return s
}

// Whatever happens later, how things stood at an instant, as known then, is answered for ever as it was answered at that instant:
// the running counters then and the sums of what was recorded by then agree.
func TestAnswersOfThePastNeverChange(t *testing.T) {
	w := onSQLite(t)
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		n++
		walk := newWalker(w, t, fmt.Sprint(n))
		var seen []*compliancev1.ComplianceStatus
		for range rapid.IntRange(2, 12).Draw(t, "steps") {
			walk.step()
			for _, subject := range []string{"engines/a" + walk.id, "aircraft/p" + walk.id} {
				seen = append(seen, walk.mine(w.queries.GetComplianceStatus(w.as("viewer"), &compliancev1.GetComplianceStatusRequest{Subject: subject})))
			}
			w.clock.Advance(time.Second)
		}
		for _, before := range seen {
			after := walk.mine(w.queries.GetComplianceStatus(w.as("viewer"), &compliancev1.GetComplianceStatusRequest{
				Subject: before.GetSubject(), AsOfTime: before.GetAsOfTime(), KnownAtTime: before.GetKnownAtTime(),
			}))
			if !proto.Equal(before, after) {
				t.Fatalf("%s at %s was\n%v\nand is\n%v", before.GetSubject(), before.GetAsOfTime().AsTime(), before, after)
			}
		}
	})
}

// onSQLite is a world on SQLite alone, for long walks.
func onSQLite(t testing.TB) *world {
	t.Helper()
	db, err := storage.Open(t.Context(), storage.Config{Engine: storage.SQLite, Path: filepath.Join(t.TempDir(), "c.db")}, store.Migrations())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	return newWorld(t, db)
}

// The order in which late entries arrive does not matter for how things stand in the end.
func TestTheOrderOfLateEntriesDoesNotMatter(t *testing.T) {
	w := onSQLite(t)
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		type late struct {
			day   int
			hours int64
		}
		entries := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) late {
			return late{rapid.IntRange(0, 20).Draw(t, "day"), rapid.Int64Range(1, 9).Draw(t, "hours")}
		}), 1, 6).Draw(t, "entries")
		var ends []string
		for _, order := range [][]late{entries, rapid.Permutation(entries).Draw(t, "order")} {
			n++
			walk := newWalker(w, t, fmt.Sprint("o", n))
			first := w.clock.Now()
			swaps := rapid.Permutation([]int{0, 1, 2}).Draw(t, "swaps between")
			for i, e := range order {
				if i == swaps[0]%len(order) {
					walk.swapOn(first.AddDate(0, 0, -30), first.AddDate(0, 0, -10))
				}
				_, err := w.commands.CreateUtilization(w.as("planner"), &compliancev1.CreateUtilizationRequest{Parent: "aircraft/p" + walk.id, Utilization: &compliancev1.Utilization{
					FlightDate: day(first.AddDate(0, 0, -e.day)), FlownSeconds: e.hours * 3600, FittedItems: []string{"engines/b" + walk.id},
				}})
				walk.check(err)
			}
			ends = append(ends, walk.end())
		}
		if ends[0] != ends[1] {
			t.Fatalf("%s or %s", ends[0], ends[1])
		}
	})
}

// swapOn fits the first engine on one day and the other in its place on another.
func (w *walker) swapOn(one, two time.Time) {
	for _, e := range []struct {
		id   string
		from time.Time
	}{{"a", one}, {"b", two}} {
		if e.id == "b" {
			_, err := w.commands.RemoveEngine(w.as("planner"), &compliancev1.RemoveEngineRequest{Name: "engines/a" + w.id, RemoveDate: day(two)})
			w.check(err)
		}
		_, err := w.commands.InstallEngine(w.as("planner"), &compliancev1.InstallEngineRequest{
			Name: "engines/" + e.id + w.id, Aircraft: "aircraft/p" + w.id, Position: "1", InstallDate: day(e.from),
		})
		w.check(err)
	}
}

// end is how both engines stand, in words.
func (w *walker) end() (text string) {
	for _, e := range []string{"a", "b"} {
		s := w.mine(w.queries.GetComplianceStatus(w.as("viewer"), &compliancev1.GetComplianceStatusRequest{Subject: "engines/" + e + w.id}))
		for _, i := range s.GetDueItems() {
			text += fmt.Sprintf("%s: %d s, %s, due at %d s; ", e, s.GetCounters().GetOperatingSeconds(), i.GetBand(), i.GetRemaining()[0].GetDueCounter())
		}
	}
	return text
}
