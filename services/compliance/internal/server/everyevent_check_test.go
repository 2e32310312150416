package server_test

import (
	"os"
	"strconv"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// walks is how many times events are thrown at a database, COLDSECTION_TEST_WALKS or 4.
func walks() int {
	if n, err := strconv.Atoi(os.Getenv("COLDSECTION_TEST_WALKS")); err == nil {
		return n
	}
	return 4
}

// begin makes two aircraft, three engines and two parts, all entered on the first day or after it.
func (e *events) begin() {
	for _, name := range e.things() {
		day := e.number("entered", 0, 3)
		c := &compliancev1.Counters{OperatingSeconds: 1000 * 3600, Cycles: 800, Starts: 800}
		id, at := name[len(kindWord(name))+1:], dated(day)
		var err error
		switch kindWord(name) {
		case "aircraft":
			_, err = e.commands.CreateAircraft(e.as("planner"), &compliancev1.CreateAircraftRequest{AircraftId: id, Aircraft: &compliancev1.Aircraft{
				Registration: id, Regime: compliancev1.Aircraft_EASA, Counters: c, CountersDate: at,
			}})
		case "engines":
			_, err = e.commands.CreateEngine(e.as("planner"), &compliancev1.CreateEngineRequest{EngineId: id, Engine: &compliancev1.Engine{
				Serial: id, EngineModel: "engineModels/demo", Counters: c, CountersDate: at,
			}})
		default:
			_, err = e.commands.CreateComponent(e.as("planner"), &compliancev1.CreateComponentRequest{ComponentId: id, Component: &compliancev1.Component{
				PartNumber: "DISC-1", Serial: id, DisplayName: "disc, demonstration only", Counters: c, CountersDate: at,
			}})
		}
		if err != nil {
			e.r.Fatal(err)
		}
		e.naive.entries = append(e.naive.entries, naiveEntry{item: name, day: day, seconds: 1000 * 3600, cycles: 800, since: e.now})
	}
	e.times = append(e.times, e.clock.Now())
	e.now++
	e.clock.Advance(time.Minute)
}

func kindWord(name string) string {
	for i := range name {
		if name[i] == '/' {
			return name[:i]
		}
	}
	return name
}

func (e *events) things() []string {
	return []string{
		"aircraft/p" + e.id, "aircraft/q" + e.id, "engines/a" + e.id, "engines/b" + e.id, "engines/c" + e.id, "components/x" + e.id, "components/y" + e.id,
	}
}

// heldAgainst holds the service against the naive reckoning: now, and on any day as it was known after any event.
func (e *events) heldAgainst() {
	for _, name := range e.things() {
		now := must(e.queries.GetComplianceStatus(e.as("viewer"), &compliancev1.GetComplianceStatusRequest{Subject: name}))(e.t)
		e.same(name, 42, e.now-1, now)
		for range 8 {
			day, known := e.number("day", 0, 42), e.number("known", 0, e.now-1)
			at := firstDay.AddDate(0, 0, day).Add(6 * time.Hour)
			got, err := e.queries.GetComplianceStatus(e.as("viewer"), &compliancev1.GetComplianceStatusRequest{
				Subject: name, AsOfTime: timestamppb.New(at), KnownAtTime: timestamppb.New(e.times[known]),
			})
			if err != nil {
				e.r.Fatalf("%s on day %d as known after event %d: %v", name, day, known, err)
			}
			e.same(name, day, known, got)
		}
	}
}

func (e *events) same(name string, day, known int, got *compliancev1.ComplianceStatus) {
	seconds, cycles, told := e.naive.counters(name, day, known)
	if c := got.GetCounters(); (c != nil) != told || told && (c.GetOperatingSeconds() != seconds || c.GetCycles() != cycles) {
		e.r.Fatalf("%s on day %d as known after event %d has %v, want %d s and %d cycles, %t\n%+v", name, day, known, c, seconds, cycles, told, e.naive)
	}
	for _, item := range got.GetDueItems() {
		if item.GetSubject() != name {
			continue
		}
		due, can := int64(3000*3600), told
		if item.GetRequirementCode() == "refit" {
			due, can = e.naive.refit(name, day, known)
		}
		left := item.GetRemaining()
		if (len(left) == 1) != can || can && (left[0].GetDueCounter() != due || left[0].GetLeft() != due-seconds) {
			e.r.Fatalf("%s of %s on day %d as known after event %d: %v, want due at %d s of %d, %t\n%+v", item.GetRequirementCode(), name, day, known, item, due, seconds, can, e.naive)
		}
	}
}
