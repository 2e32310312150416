package server_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/storage"
)

// R17 along a chain: of three directives that take each other's place one stands on each day, work done on the first is no credit for the others and
// stays on record, and as it was known before, the first still stands.
func TestOfAChainOfDirectivesOneStandsOnEachDay(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.once("a", on(2026, 2, 1))
		w.once("b", on(2026, 3, 12))
		w.once("c", on(2026, 3, 20))
		w.done("a", 990, on(2026, 2, 20))
		before := w.clock.Now()
		w.clock.Advance(time.Hour)
		w.replace("a", "requirements/b")
		w.replace("b", "requirements/c")
		stands := func(want map[string]string) {
			t.Helper()
			for id, reason := range want {
				got := w.item(id)
				if reason == "" && got.GetBand() != compliancev1.DueItem_CURRENT || reason != "" && got.GetBandReason() != reason {
					t.Errorf("%s on %s: %s, %q, want %q", id, w.clock.Now().Format(time.DateOnly), got.GetBand(), got.GetBandReason(), reason)
				}
			}
			if got := w.item("a"); got.GetLastDoneDate().GetDay() != 20 {
				t.Errorf("the history of the first: %v", got)
			}
		}
		name := w.item("a").GetLastAccomplishment()
		stands(map[string]string{"a": "Done once and for all on 2026-02-20, " + name, "b": "", "c": ""})
		w.clock.Advance(10 * 24 * time.Hour)
		stands(map[string]string{"a": "Superseded by requirements/b from 2026-03-12", "b": "", "c": ""})
		w.clock.Advance(8 * 24 * time.Hour)
		stands(map[string]string{"a": "Superseded by requirements/b from 2026-03-12", "b": "Superseded by requirements/c from 2026-03-20", "c": ""})
		for _, item := range w.then("engines/one", w.clock.Now(), before).GetDueItems() {
			if item.GetRequirementCode() == "b" && item.GetBand() != compliancev1.DueItem_CURRENT {
				t.Errorf("before anybody knew that it is superseded: %v", item)
			}
		}
	})
}

// Directives that take each other's place in a circle would leave nothing due at all.
func TestACircleOfSuccessorsIsRefused(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		for _, id := range []string{"a", "b", "c"} {
			w.once(id, on(2026, 2, 1))
		}
		w.replace("a", "requirements/b")
		w.replace("b", "requirements/c")
		for _, back := range []string{"a", "b"} {
			_, err := w.commands.UpdateRequirement(w.as("quality"), &compliancev1.UpdateRequirementRequest{Requirement: &compliancev1.Requirement{
				Name: "requirements/c", Successor: "requirements/" + back,
			}})
			refused(t, err, "LINK_INVALID")
		}
		if got := w.item("c"); got.GetBand() != compliancev1.DueItem_CURRENT {
			t.Errorf("%v", got)
		}
		if err := w.db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error { // one from before circles were refused
			r, err := store.Requirements.Lock(ctx, tx, "requirements/c")
			if err != nil {
				return err
			}
			r.Successor = "requirements/b"
			return store.Requirements.Save(ctx, tx, r, w.clock.Now())
		}); err != nil {
			t.Fatal(err)
		}
		if err := w.restarted().RecomputeAll(t.Context()); err != nil {
			t.Fatal(err)
		}
		w.wantBand("a", compliancev1.DueItem_EXEMPT, "Superseded by requirements/b")
		for _, id := range []string{"b", "c"} {
			if got := w.item(id); got.GetBand() != compliancev1.DueItem_CURRENT {
				t.Errorf("a circle ends nothing: %v", got)
			}
		}
	})
}

// R18 taken back: a terminating action that was not done after all, or not on that engine, ends nothing, and the repeats go on from when they were last
// done; as it was known before, they were ended. Corrected to another day, it still ends them.
func TestATerminatingActionThatIsTakenBackEndsNothing(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		wash(w)
		w.inspect("replace", func(r *compliancev1.Requirement) {
			r.Terminates, r.Repeat, r.Initial = "requirements/wash", nil, limit(compliancev1.IntervalLimit_HOURS, 5000*3600)
		})
		was := w.item("wash")
		amend := func(supersedes string, void bool) string {
			t.Helper()
			w.clock.Advance(time.Hour)
			return must(w.commands.CreateAccomplishment(w.as("quality"), &compliancev1.CreateAccomplishmentRequest{
				Parent: "requirements/replace", ReauthenticationToken: w.proof(), Accomplishment: &compliancev1.Accomplishment{
					Subject: "engines/one", DoneDate: on(2026, 2, 11), Counters: runs(960, 700), LateEntryReason: "on paper", Supersedes: supersedes, Void: void,
				},
			}))(t).GetName()
		}
		first := amend("", false)
		w.wantBand("wash", compliancev1.DueItem_EXEMPT, "Ended by the terminating action "+first)
		second := amend(first, false)
		w.wantBand("wash", compliancev1.DueItem_EXEMPT, "Ended by the terminating action "+second)
		at := w.clock.Now()
		then := w.then("engines/one", at, at)
		amend(second, true)
		now := w.item("wash")
		if now.GetRemaining()[0].GetLeft() != was.GetRemaining()[0].GetLeft() || now.GetBand() != was.GetBand() {
			t.Errorf("%v, before %v", now, was)
		}
		if again := w.then("engines/one", at, at); !proto.Equal(then, again) {
			t.Errorf("as it was known, it was ended: %v", again)
		}
		if list := must(w.queries.ListDueItems(w.as("viewer"), &compliancev1.ListDueItemsRequest{Filter: fmt.Sprintf("band = %s", was.GetBand())}))(t); len(list.GetDueItems()) == 0 {
			t.Error("the list does not show it as due")
		}
	})
}
