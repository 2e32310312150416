package server_test

import (
	"strings"
	"testing"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// A disc that flew in an engine of another owner counts what it flew there, and its arithmetic does not name that engine to its owner.
func TestALifeDoesNotNameEnginesOfAnotherOwner(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.lifeLimit("demo", 15000, on(2020, 1, 1))
		w.disc("d1", 0)
		w.lent() // today is the 20th, and engine two of north is on the aircraft
		for _, err := range []error{w.put("d1", "engines/one", 2), w.take("d1", 5)} {
			if err != nil {
				t.Fatal(err)
			}
		}
		must(w.commands.InstallComponent(w.as("planner"), &compliancev1.InstallComponentRequest{
			Name: "components/d1", Host: "engines/two", Position: "second disc", InstallDate: on(2026, 3, 6),
		}))(t)
		w.legs(3, 4, 4)
		w.legs(13, 2, 2)
		all := w.life("d1")
		for _, who := range []string{"north", "south"} {
			list := must(w.queries.ListLifeStatuses(w.guest(who), &compliancev1.ListLifeStatusesRequest{Parent: "components/-"}))(t).GetLifeStatuses()
			if who == "south" {
				if len(list) != 0 {
					t.Errorf("south is shown %v", list)
				}
				continue
			}
			if len(list) != 1 || list[0].GetUsedCycles() != all.GetUsedCycles() || all.GetUsedCycles() != 6 {
				t.Fatalf("%v, unlimited %v", list, all)
			}
			told := strings.Join(list[0].GetLines(), "\n")
			if strings.Contains(list[0].String(), "D-1001") || !strings.Contains(told, "an engine of another owner") || !strings.Contains(told, "D-1002") {
				t.Errorf("north is told %s", told)
			}
		}
		if told := strings.Join(all.GetLines(), "\n"); !strings.Contains(told, "D-1001") {
			t.Errorf("who is not limited is told %s", told)
		}
	})
}

// A filter or an order by aircraft tells no more of another's than the answer does: an aircraft of another finds what one that does not exist finds.
func TestAFilterDoesNotTellWhereALentEngineIs(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.lent()
		find := func(who, filter string) (names string) {
			t.Helper()
			for _, e := range must(w.queries.ListEngines(w.guest(who), &compliancev1.ListEnginesRequest{Filter: filter, OrderBy: "aircraft"}))(t).GetEngines() {
				names += e.GetName()
			}
			return names
		}
		for filter, want := range map[string]string{
			`aircraft = "aircraft/plane"`: "", `aircraft = "aircraft/none"`: "", `aircraft != "aircraft/plane"`: "engines/two", `aircraft != "aircraft/none"`: "engines/two",
			`aircraft:plane`: "", `aircraft > "aircraft/a"`: "", `aircraft = ""`: "engines/two", "": "engines/two",
		} {
			if got := find("north", filter); got != want {
				t.Errorf("north finds %q with %q, want %q", got, filter, want)
			}
		}
		w.clock.Advance(time.Hour)
		if _, err := w.commands.RemoveEngine(w.as("planner"), &compliancev1.RemoveEngineRequest{Name: "engines/two", RemoveDate: on(2026, 3, 15)}); err != nil {
			t.Fatal(err)
		}
		if err := w.install("one", on(2026, 3, 16)); err != nil {
			t.Fatal(err)
		}
		if got := find("south", `aircraft = "aircraft/plane"`); got != "engines/one" {
			t.Errorf("south finds %q on its own aircraft", got)
		}
	})
}
