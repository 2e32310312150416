package server_test

import (
	"strings"
	"testing"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
)

// wash is an inspection every 100 h that was last done at 910 h; the engine is at 1,000 h, so 10 h are left.
func wash(w *world) {
	w.t.Helper()
	w.require("wash", compliancev1.Requirement_INSPECTION, 100)
	w.done("wash", 910, on(2026, 1, 20))
}

func extension(hours int64) *compliancev1.Extension {
	return &compliancev1.Extension{
		OperatingSeconds: hours * 3600, AuthorityReference: "Programme 1.4", Reason: "the aircraft is away from base", HardStopDate: on(2026, 3, 20),
	}
}

func (w *world) extend(id string, e *compliancev1.Extension, roles ...string) (*compliancev1.DueItem, error) {
	w.t.Helper()
	item := w.item(id)
	return w.commands.ExtendDueItem(w.as(roles...), &compliancev1.ExtendDueItemRequest{Name: item.GetName(), Etag: item.GetEtag(), Extension: e})
}

func TestAnExtensionLastsToItsHardStopAndTheNextIntervalForgetsIt(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		got := must(w.extend("wash", extension(8), "quality"))(t)
		if got.GetExtension().GetPerson() != "people/ada" || got.GetBand() != compliancev1.DueItem_NEAR {
			t.Errorf("granted: %v", got)
		}
		w.fly(15)
		const words = "extended by 8:00 h to 1018:00 h, at the latest through 2026-03-20"
		if got := w.item("wash"); got.GetBand() != compliancev1.DueItem_IN_TOLERANCE || !strings.Contains(got.GetExplanation(), words) {
			t.Errorf("5 h past with 8 h more: %s, %s", got.GetBand(), got.GetExplanation())
		}
		w.fly(4)
		if got := w.item("wash"); got.GetBand() != compliancev1.DueItem_OVERDUE {
			t.Errorf("9 h past with 8 h more: %s", got.GetBand())
		}
		w.done("wash", 1019, on(2026, 3, 2))
		if got := w.item("wash"); got.GetExtension() != nil || got.GetRemaining()[0].GetDueCounter() != 1110*3600 {
			t.Errorf("the next interval counts from 1,010 h, when it was due, and has no extension: %v", got)
		}
		if n := w.rows("SELECT COUNT(*) FROM record_chain WHERE stream = 'extensions'"); n != 1 {
			t.Errorf("%d extensions on record", n)
		}
	})
}

func TestAfterTheLastDayAnExtensionGivesNothing(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		must(w.extend("wash", extension(8), "quality"))(t)
		w.fly(15)
		w.clock.Advance(19 * 24 * 3600e9)
		if got := w.item("wash"); got.GetBand() != compliancev1.DueItem_OVERDUE || got.GetExtension() != nil {
			t.Errorf("on 2026-03-21: %s, %v", got.GetBand(), got.GetExtension())
		}
	})
}

func TestRefusedExtensionsLeaveNoTrace(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		w.require("directive", compliancev1.Requirement_DIRECTIVE, 100)
		w.done("directive", 910, on(2026, 1, 20))
		w.require("disc", compliancev1.Requirement_LIFE_LIMIT, 100)
		w.done("disc", 910, on(2026, 1, 20))
		w.require("never", compliancev1.Requirement_INSPECTION, 100)
		past := extension(8)
		past.HardStopDate = on(2026, 3, 1)
		cycles := extension(8)
		cycles.Cycles = 5
		for _, c := range []struct {
			id, reason string
			e          *compliancev1.Extension
			role       string
		}{
			{"directive", "EXTENSION_NOT_ALLOWED", extension(1), "quality"}, {"disc", "EXTENSION_NOT_ALLOWED", extension(1), "quality"},
			{"never", "EXTENSION_NOT_ALLOWED", extension(1), "quality"}, {"wash", "EXTENSION_TOO_LONG", extension(11), "quality"},
			{"wash", "EXTENSION_TOO_LONG", cycles, "quality"}, {"wash", "EXTENSION_EMPTY", extension(0), "quality"},
			{"wash", "EXTENSION_NOT_ALLOWED", past, "quality"}, {"wash", "ROLE_MISSING", extension(8), "planner"},
		} {
			_, err := w.extend(c.id, c.e, c.role)
			refused(t, err, c.reason)
		}
		if n := w.rows("SELECT COUNT(*) FROM extensions"); n != 0 {
			t.Errorf("%d extensions were kept", n)
		}
	})
}

// R11: tolerance does not add up.
func TestOneExtensionPerIntervalAndNoneAfterTheFact(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		must(w.extend("wash", extension(4), "quality"))(t)
		_, err := w.extend("wash", extension(4), "quality")
		refused(t, err, "EXTENSION_NOT_ALLOWED")
		w.require("check", compliancev1.Requirement_INSPECTION, 50)
		w.done("check", 940, on(2026, 2, 1))
		_, err = w.extend("check", extension(10), "quality")
		refused(t, err, "EXTENSION_NOT_ALLOWED")
		_, err = w.commands.ExtendDueItem(w.as("quality"), &compliancev1.ExtendDueItemRequest{Name: "dueItems/check.one", Etag: "old", Extension: extension(1)})
		refused(t, err, "ETAG_MISMATCH")
	})
}
