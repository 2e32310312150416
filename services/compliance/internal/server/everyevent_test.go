package server_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"pgregory.net/rapid"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/fault"
)

// events throws every kind of event at the service, and tells the naive reckoning of those that took effect.
type events struct {
	*world

	naive naive
	r     *rapid.T
	id    string
	now   int         // the number of the next event
	times []time.Time // when each took effect
	took  map[string]int
}

// refusals are what may be wrong with an event that is thrown at random.
var refusals = []string{
	"POSITION_TAKEN", "DATE_BEFORE_LAST", "ENGINE_FITTED_ELSEWHERE", "ENGINE_NOT_FITTED", "COMPONENT_FITTED_ELSEWHERE", "COMPONENT_NOT_FITTED", "FLYING_COUNTED_ALREADY",
	"CORRECTION_NOT_ALLOWED", "COUNTERS_IMPLAUSIBLE", "DATES_REVERSED",
}

var firstDay = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func dated(n int) *date.Date { return day(firstDay.AddDate(0, 0, n)) }

func (e *events) pick(what string, from ...string) string {
	return rapid.SampledFrom(from).Draw(e.r, what)
}
func (e *events) number(what string, from, to int) int {
	return rapid.IntRange(from, to).Draw(e.r, what)
}

// stir is one event; what is refused changes nothing.
func (e *events) stir() {
	kinds := map[string]func() error{
		"fly": e.flies, "correct flying": e.correctsFlying, "fit": e.fits, "take off": e.takesOff, "correct fitting": e.correctsFitting, "void fitting": e.voidsFitting,
		"correct entry": e.correctsEntry, "do": e.does, "correct work": e.correctsWork,
	}
	kind := e.pick("event", "fly", "fly", "fly", "fly", "correct flying", "fit", "fit", "fit", "take off", "take off", "correct fitting", "void fitting", "correct entry", "do", "correct work")
	err := kinds[kind]()
	switch {
	case err == nil:
		e.took[kind]++
	case !errors.Is(err, errNothing):
		ok := false
		for _, reason := range refusals {
			ok = ok || fault.HasReason(err, reason)
		}
		if !ok {
			e.r.Fatalf("%s: %v", kind, err)
		}
	}
	e.times = append(e.times, e.clock.Now())
	e.now++
	e.clock.Advance(time.Minute)
}

var errNothing = errors.New("there is nothing to do that with")

func (e *events) plane() string  { return "aircraft/" + e.pick("plane", "p", "q") + e.id }
func (e *events) engine() string { return "engines/" + e.pick("engine", "a", "b", "c") + e.id }
func (e *events) part() string   { return "components/" + e.pick("part", "x", "y") + e.id }

func (e *events) flies() error {
	f := naiveFlight{plane: e.plane(), day: e.number("day", 1, 40), seconds: int64(e.number("half hours", 1, 9)) * 1800, cycles: 1, since: e.now, until: never}
	return e.fly(f, "")
}

func (e *events) fly(f naiveFlight, corrects string) error {
	req := &compliancev1.CreateUtilizationRequest{Parent: f.plane, Utilization: &compliancev1.Utilization{FlightDate: dated(f.day), FlownSeconds: f.seconds, Cycles: f.cycles}}
	role := "planner"
	if corrects != "" {
		role, req.ReauthenticationToken, req.Utilization.Corrects, req.Utilization.Reason = "quality", e.proof(), corrects, "misread"
	}
	got, err := e.commands.CreateUtilization(e.as(role), req)
	if err == nil {
		f.name = got.GetName()
		e.naive.flights = append(e.naive.flights, f)
	}
	return err
}

func (e *events) correctsFlying() error {
	var live []int
	for i, f := range e.naive.flights {
		if f.until == never {
			live = append(live, i)
		}
	}
	if len(live) == 0 {
		return errNothing
	}
	i := rapid.SampledFrom(live).Draw(e.r, "flight")
	fresh := e.naive.flights[i]
	fresh.seconds, fresh.since = int64(e.number("half hours", 0, 9))*1800, e.now
	if fresh.seconds == 0 {
		fresh.cycles = 0
	}
	if e.number("another day", 0, 1) == 1 {
		fresh.day = e.number("day", 1, 40)
	}
	err := e.fly(fresh, e.naive.flights[i].name)
	if err == nil {
		e.naive.flights[i].until = e.now
	}
	return err
}

// shares reports whether a fitting would have the day of a swap in common with another one in its place: which of two flew on that day is told by names,
// which other tests do.
func (e *events) shares(f naiveFit) bool {
	for _, o := range e.naive.fits {
		if o.until == never && o.name != f.name && o.host == f.host && o.position == f.position && o.from <= f.to && f.from <= o.to {
			return true
		}
	}
	return false
}

func (e *events) fits() (err error) {
	f := naiveFit{item: e.engine(), host: e.plane(), position: e.pick("position", "1", "2"), from: e.number("day", 1, 40), to: never, since: e.now, until: never, removed: never}
	if e.number("a part", 0, 1) == 1 {
		f.item, f.host, f.position = e.part(), e.engine(), "disc"
	}
	if e.shares(f) {
		return errNothing
	}
	if f.position == "disc" {
		_, err = e.commands.InstallComponent(e.as("planner"), &compliancev1.InstallComponentRequest{Name: f.item, Host: f.host, Position: f.position, InstallDate: dated(f.from)})
	} else {
		_, err = e.commands.InstallEngine(e.as("planner"), &compliancev1.InstallEngineRequest{Name: f.item, Aircraft: f.host, Position: f.position, InstallDate: dated(f.from)})
	}
	if err != nil {
		return err
	}
	list := must(e.queries.ListFittings(e.as("viewer"), &compliancev1.ListFittingsRequest{Filter: fmt.Sprintf("item = %q AND host = %q", f.item, f.host), PageSize: 1000}))(e.t)
	for _, one := range list.GetFittings() {
		if one.GetRemoveDate() == nil && one.GetCorrection() == "" {
			f.name = one.GetName()
		}
	}
	e.naive.fits = append(e.naive.fits, f)
	return nil
}

// fitting is one that holds, or errNothing.
func (e *events) fitting(open bool) (*naiveFit, error) {
	var live []int
	for i, f := range e.naive.fits {
		if f.until == never && (!open || f.to == never) {
			live = append(live, i)
		}
	}
	if len(live) == 0 {
		return nil, errNothing
	}
	return &e.naive.fits[rapid.SampledFrom(live).Draw(e.r, "fitting")], nil
}

func (e *events) takesOff() error {
	f, err := e.fitting(true)
	if err != nil {
		return err
	}
	to := e.number("day", 1, 40)
	if f.position == "disc" {
		_, err = e.commands.RemoveComponent(e.as("planner"), &compliancev1.RemoveComponentRequest{Name: f.item, RemoveDate: dated(to), Reason: "demonstration"})
	} else {
		_, err = e.commands.RemoveEngine(e.as("planner"), &compliancev1.RemoveEngineRequest{Name: f.item, RemoveDate: dated(to), Reason: "demonstration"})
	}
	if err == nil {
		f.to, f.removed = to, e.now
	}
	return err
}

func (e *events) correctsFitting() error {
	f, err := e.fitting(false)
	if err != nil {
		return err
	}
	fresh := *f
	req := &compliancev1.CorrectFittingRequest{Name: f.name, Reason: "the wrong card", ReauthenticationToken: e.proof()}
	fresh.from, fresh.since = e.number("day", 1, 40), e.now
	req.InstallDate = dated(fresh.from)
	if fresh.to != never && e.number("its end", 0, 1) == 1 {
		fresh.to = e.number("day", 1, 40)
		req.RemoveDate = dated(fresh.to)
	}
	if e.shares(fresh) {
		return errNothing
	}
	got, err := e.commands.CorrectFitting(e.as("quality"), req)
	if err == nil {
		fresh.name, f.until = got.GetName(), e.now
		e.naive.fits = append(e.naive.fits, fresh)
	}
	return err
}

func (e *events) voidsFitting() error {
	f, err := e.fitting(false)
	if err != nil {
		return err
	}
	_, err = e.commands.VoidFitting(e.as("quality"), &compliancev1.VoidFittingRequest{Name: f.name, Reason: "it was another", ReauthenticationToken: e.proof()})
	if err == nil {
		f.until = e.now
	}
	return err
}

func (e *events) correctsEntry() error {
	fresh := naiveEntry{item: e.pick("thing", e.plane(), e.engine(), e.part()), since: e.now}
	was := e.naive.entry(fresh.item, e.now)
	fresh.day, fresh.seconds, fresh.cycles = was.day, was.seconds, was.cycles
	if what := e.number("what", 0, 2); what != 0 {
		fresh.day = e.number("day", 0, 12)
		if what == 2 {
			fresh.seconds, fresh.cycles = int64(e.number("hours", 900, 1100))*3600, int64(e.number("cycles", 700, 900))
		}
	} else {
		fresh.seconds = int64(e.number("hours", 900, 1100)) * 3600
	}
	_, err := e.commands.CorrectEntryCounters(e.as("quality"), &compliancev1.CorrectEntryCountersRequest{
		Name: fresh.item, Counters: &compliancev1.Counters{OperatingSeconds: fresh.seconds, Cycles: fresh.cycles, Starts: 800}, EntryDate: dated(fresh.day),
		AuthorityReference: "log", Reason: "misread", ReauthenticationToken: e.proof(),
	})
	if err == nil {
		e.naive.entries = append(e.naive.entries, fresh)
	}
	return err
}

func (e *events) does() error {
	d := naiveDone{item: e.engine(), day: e.number("day", 0, 40), since: e.now, until: never}
	d.seconds, _, _ = e.naive.counters(d.item, d.day, e.now)
	return e.records(d, "", false)
}

func (e *events) records(d naiveDone, supersedes string, void bool) error {
	got, err := e.commands.CreateAccomplishment(e.as("quality"), &compliancev1.CreateAccomplishmentRequest{
		Parent: "requirements/refit", ReauthenticationToken: e.proof(), Accomplishment: &compliancev1.Accomplishment{
			Subject: d.item, DoneDate: dated(d.day), Counters: &compliancev1.Counters{OperatingSeconds: d.seconds}, LateEntryReason: "on paper", Supersedes: supersedes, Void: void,
		},
	})
	if err == nil && !void {
		d.name = got.GetName()
		e.naive.done = append(e.naive.done, d)
	}
	return err
}

func (e *events) correctsWork() error {
	var live []int
	for i, d := range e.naive.done {
		if d.until == never {
			live = append(live, i)
		}
	}
	if len(live) == 0 {
		return errNothing
	}
	i := rapid.SampledFrom(live).Draw(e.r, "record")
	fresh := e.naive.done[i]
	fresh.since, fresh.day = e.now, e.number("day", 0, 40)
	void := e.number("void", 0, 2) == 0
	err := e.records(fresh, e.naive.done[i].name, void)
	if err == nil {
		e.naive.done[i].until = e.now
	}
	return err
}

// TestEveryEventComesToWhatReckoningOneByOneComesTo throws flying, fittings, entries, work and their corrections in any order, and holds counters and what is
// due, on any day as known after any event, against a reckoning that goes through all of them each time.
func TestEveryEventComesToWhatReckoningOneByOneComesTo(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.everyFrom("hours", compliancev1.IntervalLimit_HOURS, 3000*3600)
		w.inspect("refit", func(r *compliancev1.Requirement) {
			r.StartEvent, r.Initial, r.Repeat = compliancev1.Requirement_INSTALLATION, limit(compliancev1.IntervalLimit_HOURS, 25*3600), limit(compliancev1.IntervalLimit_HOURS, 10*3600)
		})
		w.clock.Advance(41 * 24 * time.Hour)
		runs, took := 0, map[string]int{}
		rapid.Check(t, func(r *rapid.T) {
			if runs++; runs > walks() {
				return // each makes seven more things, which the store keeps
			}
			e := &events{world: w, r: r, id: fmt.Sprintf("%d", runs), took: took}
			e.begin()
			for range 60 {
				e.stir()
			}
			e.heldAgainst()
		})
		for _, kind := range []string{"fly", "correct flying", "fit", "take off", "correct fitting", "void fitting", "correct entry", "do", "correct work"} {
			if took[kind] == 0 {
				t.Errorf("no event of the kind %q took effect: %v", kind, took)
			}
		}
	})
}
