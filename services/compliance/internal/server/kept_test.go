package server_test

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/resource"
)

// dice throws commands at one world; refusals are answers too.
type dice struct {
	*world

	t    *rapid.T
	done map[string]int // how often each command took effect, over all throws
}

func (d *dice) day() (year, month, day int) {
	at := d.clock.Now().AddDate(0, 0, rapid.IntRange(-4, 1).Draw(d.t, "days"))
	return at.Year(), int(at.Month()), at.Day()
}

func (d *dice) requirement() string {
	return rapid.SampledFrom([]string{"hours", "months", "both", "fitted", "overhaul", "since", "ender", "ended", "effective", "pump", "plane", "next"}).Draw(d.t, "requirement")
}

func (d *dice) subject() string {
	return rapid.SampledFrom([]string{"engines/one", "engines/two", "components/p1", "aircraft/plane"}).Draw(d.t, "subject")
}

// throw is one command at random.
func (d *dice) throw() {
	name := rapid.SampledFrom([]string{
		"fly", "fly", "work", "work", "install", "install", "remove", "remove", "extend", "extend", "put", "take", "limits", "rate", "zone", "decide", "extend", "successor", "new",
	}).Draw(d.t, "command")
	if err := d.throws()[name](); err == nil {
		d.done[name]++
	}
	d.clock.Advance(time.Minute)
}

func (d *dice) throws() map[string]func() error {
	return map[string]func() error{
		"fly": d.flies, "work": d.works, "limits": d.limits, "rate": d.rate, "zone": d.zone, "decide": d.decides, "extend": d.extends, "new": d.adds,
		"successor": d.succeeds,
		"install": func() error {
			return d.install(rapid.SampledFrom([]string{"one", "two"}).Draw(d.t, "engine"), on(d.day()))
		},
		"remove": func() error { return d.remove(on(d.day())) },
		"put": func() error {
			_, err := d.commands.InstallComponent(d.as("planner"), &compliancev1.InstallComponentRequest{
				Name: "components/p1", Host: rapid.SampledFrom([]string{"engines/one", "engines/two"}).Draw(d.t, "host"), Position: "pump", InstallDate: on(d.day()),
			})
			return err
		},
		"take": func() error {
			_, err := d.commands.RemoveComponent(d.as("planner"), &compliancev1.RemoveComponentRequest{Name: "components/p1", RemoveDate: on(d.day())})
			return err
		},
	}
}

func (d *dice) flies() error {
	entry := &compliancev1.Utilization{FlightDate: on(d.day()), FlownSeconds: int64(rapid.IntRange(1, 8).Draw(d.t, "flown")) * 1800, Cycles: 1}
	roles := "planner"
	request := &compliancev1.CreateUtilizationRequest{Parent: "aircraft/plane", Utilization: entry}
	if rapid.IntRange(0, 2).Draw(d.t, "correct") == 0 {
		list, err := d.queries.ListUtilizations(d.as("viewer"), &compliancev1.ListUtilizationsRequest{Parent: "aircraft/plane", OrderBy: "create_time desc", PageSize: 1})
		if err == nil && len(list.GetUtilizations()) == 1 {
			entry.Corrects, entry.Reason, entry.FlightDate = list.GetUtilizations()[0].GetName(), "misread", list.GetUtilizations()[0].GetFlightDate()
			roles, request.ReauthenticationToken = "quality", d.proof()
		}
	}
	_, err := d.commands.CreateUtilization(d.as(roles), request)
	return err
}

func (d *dice) works() error {
	entry := &compliancev1.Accomplishment{
		Subject: d.subject(), DoneDate: on(d.day()), LateEntryReason: "found", Counters: &compliancev1.Counters{OperatingSeconds: int64(rapid.IntRange(950, 1010).Draw(d.t, "at")) * 3600},
	}
	_, err := d.commands.CreateAccomplishment(d.as("quality"), &compliancev1.CreateAccomplishmentRequest{
		Parent: "requirements/" + d.requirement(), ReauthenticationToken: d.proof(), Accomplishment: entry,
	})
	return err
}

func (d *dice) change(name string, change func(*compliancev1.Requirement)) error {
	r, err := d.queries.GetRequirement(d.as("viewer"), &compliancev1.GetRequirementRequest{Name: "requirements/" + name})
	if err != nil {
		return err
	}
	change(r)
	_, err = d.commands.UpdateRequirement(d.as("planner"), &compliancev1.UpdateRequirementRequest{Requirement: r})
	return err
}

func (d *dice) limits() error {
	return d.change(d.requirement(), func(r *compliancev1.Requirement) {
		r.Repeat = limit(compliancev1.IntervalLimit_HOURS, int64(rapid.IntRange(5, 60).Draw(d.t, "hours"))*3600)
		r.Soft = r.GetKind() == compliancev1.Requirement_INSPECTION && rapid.Bool().Draw(d.t, "soft")
		if rapid.Bool().Draw(d.t, "ends") {
			r.Terminates = "requirements/" + rapid.SampledFrom([]string{"ended", "months"}).Draw(d.t, "ended")
		}
	})
}

func (d *dice) succeeds() error {
	at := d.clock.Now().AddDate(0, 0, rapid.IntRange(-2, 3).Draw(d.t, "effective"))
	if err := d.change("next", func(r *compliancev1.Requirement) { r.EffectiveDate = day(at) }); err != nil {
		return err
	}
	return d.change(rapid.SampledFrom([]string{"hours", "months"}).Draw(d.t, "old"), func(r *compliancev1.Requirement) { r.Successor = "requirements/next" })
}

func (d *dice) update(plane *compliancev1.Aircraft) error {
	plane.Name = "aircraft/plane"
	_, err := d.commands.UpdateAircraft(d.as("planner"), &compliancev1.UpdateAircraftRequest{Aircraft: plane})
	return err
}

func (d *dice) rate() error {
	return d.update(&compliancev1.Aircraft{FlyingRate: &compliancev1.FlyingRate{HoursPerDay: float64(rapid.IntRange(1, 80).Draw(d.t, "rate")) / 10, CyclesPerDay: 1}})
}

func (d *dice) zone() error {
	return d.update(&compliancev1.Aircraft{TimeZone: rapid.SampledFrom([]string{"UTC", "Pacific/Kiritimati", "Etc/GMT+12", "America/New_York"}).Draw(d.t, "zone")})
}

func (d *dice) decides() error {
	return d.decide(d.requirement(), rapid.Bool().Draw(d.t, "applicable"), "seen at the shop visit")
}

// extends grants the first extension that is possible.
func (d *dice) extends() error {
	e := extension(int64(rapid.IntRange(1, 10).Draw(d.t, "by")))
	e.HardStopDate = day(d.clock.Now().AddDate(0, 0, rapid.IntRange(1, 5).Draw(d.t, "stop")))
	err := errEnough
	for _, id := range []string{"hours.one", "both.one", "since.one", "hours.two", "both.two", "since.two"} {
		if err = d.extendOne("dueItems/"+id, e); err == nil {
			return nil
		}
	}
	return err
}

func (d *dice) extendOne(name string, e *compliancev1.Extension) error {
	item, err := d.queries.GetDueItem(d.as("viewer"), &compliancev1.GetDueItemRequest{Name: name})
	if err != nil {
		return err
	}
	_, err = d.commands.ExtendDueItem(d.as("quality"), &compliancev1.ExtendDueItemRequest{Name: name, Etag: item.GetEtag(), Extension: e})
	return err
}

var errEnough = errors.New("enough")

func (d *dice) adds() error {
	id := fmt.Sprintf("new%d", d.clock.Now().UnixMicro())
	if d.done["new"] > 2 {
		return errEnough
	}
	_, err := d.commands.CreateEngine(d.as("planner"), &compliancev1.CreateEngineRequest{EngineId: id, Engine: &compliancev1.Engine{
		Serial: id, EngineModel: "engineModels/demo", Counters: counters, CountersDate: on(2026, 3, 1),
	}})
	return err
}

// passes moves the clock, mostly on, sometimes back.
func (d *dice) passes() {
	d.clock.Advance(time.Duration(rapid.SampledFrom([]int{1, 7, 24, 24, 24, -5, -26}).Draw(d.t, "hours")) * time.Hour)
	if rapid.Bool().Draw(d.t, "sweep") {
		if err := d.restarted().Sweep(d.world.t.Context()); err != nil {
			d.t.Fatal(err)
		}
	}
}

// agrees holds every item of the list, which comes from what is kept, against the same item worked out from history, and its row against it.
func (d *dice) agrees() {
	list, err := d.queries.ListDueItems(d.as("viewer"), &compliancev1.ListDueItemsRequest{PageSize: 1000})
	if err != nil {
		d.t.Fatal(err)
	}
	if len(list.GetDueItems()) < 8 {
		d.t.Fatalf("%d items", len(list.GetDueItems()))
	}
	for _, kept := range list.GetDueItems() {
		item, err := d.queries.GetDueItem(d.as("viewer"), &compliancev1.GetDueItemRequest{Name: kept.GetName()})
		if err != nil {
			d.t.Fatal(err)
		}
		if !proto.Equal(kept, item) {
			d.t.Fatalf("kept is\n%v, from history it is\n%v", kept, item)
		}
		date := resource.DateText(item.GetDueDate())
		const says = "SELECT COUNT(*) FROM due_items WHERE name = $1 AND band = $2 AND (due_date = $3 OR due_date <> '' AND due_date < $3)"
		if n := d.rows(says, item.GetName(), item.GetBand().String(), date); n != 1 {
			d.t.Fatalf("the row of %s does not say %s and no later day than %q", item.GetName(), item.GetBand(), date)
		}
	}
}

// Whatever is done, in whatever order, and however the clock goes: what is kept says the same as history, item by item and field by field; a row
// has the band that its item has, and never a later date.
func TestWhatIsKeptIsWhatHistorySays(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.second()
		w.pump("p1", 290)
		wholeProgramme(w)
		for _, id := range []string{"hours", "both", "months"} {
			w.done(id, 990, on(2026, 2, 20))
		}
		w.clock.Advance(12 * 24 * time.Hour)
		took := map[string]int{}
		lacking := func() []string {
			commands := []string{"fly", "work", "install", "remove", "limits", "rate", "zone", "decide", "extend", "successor", "new"}
			return slices.DeleteFunc(commands, func(command string) bool { return took[command] > 0 })
		}
		for round := 0; round == 0 || round < 4 && len(lacking()) > 0; round++ { // a rare command may be refused all of one round long
			rapid.Check(t, func(t *rapid.T) {
				d := &dice{world: w, t: t, done: took}
				d.passes()
				for range rapid.IntRange(1, 3).Draw(t, "commands") {
					d.throw()
				}
				d.agrees()
			})
		}
		if never := lacking(); len(never) > 0 {
			t.Errorf("%v never took effect: %v", never, took)
		}
	})
}

// wholeProgramme is a requirement of each way to count.
func wholeProgramme(w *world) {
	w.require("hours", compliancev1.Requirement_INSPECTION, 100)
	months := limit(compliancev1.IntervalLimit_MONTHS, 1)
	w.inspect("months", func(r *compliancev1.Requirement) { r.Repeat = months })
	w.require("both", compliancev1.Requirement_INSPECTION, 30)
	w.inspect("fitted", func(r *compliancev1.Requirement) {
		r.StartEvent, r.Initial = compliancev1.Requirement_INSTALLATION, limit(compliancev1.IntervalLimit_HOURS, 25*3600)
	})
	w.inspect("overhaul", func(r *compliancev1.Requirement) { r.Kind = compliancev1.Requirement_OVERHAUL })
	w.inspect("since", func(r *compliancev1.Requirement) {
		r.StartEvent, r.Initial, r.Rebase = compliancev1.Requirement_OVERHAUL_DONE, limit(compliancev1.IntervalLimit_DAYS, 20), compliancev1.Requirement_FIXED_GRID
		r.Tolerance = &compliancev1.Tolerance{OperatingSeconds: 10 * 3600, Document: document}
	})
	w.inspect("ended", func(r *compliancev1.Requirement) { r.Repeat = limit(compliancev1.IntervalLimit_DAYS, 12) })
	w.inspect("ender", func(r *compliancev1.Requirement) { r.Terminates = "requirements/ended" })
	w.inspect("effective", func(r *compliancev1.Requirement) {
		r.StartEvent, r.EffectiveDate, r.Initial = compliancev1.Requirement_EFFECTIVE_DATE, on(2026, 3, 3), limit(compliancev1.IntervalLimit_HOURS, 9*3600)
	})
	w.inspect("next", func(r *compliancev1.Requirement) { r.Kind = compliancev1.Requirement_DIRECTIVE })
	w.forComponents("pump", nil)
	w.inspect("plane", func(r *compliancev1.Requirement) {
		r.Applicability = &compliancev1.Applicability{SubjectKind: compliancev1.Applicability_AIRCRAFT}
	})
}
