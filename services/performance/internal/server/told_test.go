package server_test

import (
	"context"
	"maps"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
)

// factsOfEngine are all that were told of the engine, oldest first.
func (b bench) factsOfEngine() (facts []outbox.Event) {
	b.t.Helper()
	if err := b.db.View(b.t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
		facts, err = outbox.About(ctx, tx, "performance", engineName, 0, 1000)
		return err
	}); err != nil {
		b.t.Fatal(err)
	}
	return facts
}

// told checks that every state of the engine that could ever be read was told: levels in a chain from one to the next, and the newest level
// and verdicts are those that can be read now.
func (b bench) told() (levels, verdicts int) {
	b.t.Helper()
	facts := b.factsOfEngine()
	level, said := performancev1.ConditionLevel_CONDITION_LEVEL_UNSPECIFIED, map[string]performancev1.Recovery_Verdict{}
	for _, f := range facts {
		switch f.Type {
		case "coldsection.performance.level.changed.v1":
			fact := &performancev1.AssessmentComputed{}
			if err := protojson.Unmarshal(f.Data, fact); err != nil || fact.GetPreviousLevel() != level || fact.GetLevel() == level {
				b.t.Errorf("after %v was told, %v: %v", level, fact, err)
			}
			level = fact.GetLevel()
			levels++
		case "coldsection.performance.recovery.computed.v1":
			fact := &performancev1.RecoveryComputed{}
			if err := protojson.Unmarshal(f.Data, fact); err != nil || said[fact.GetRecovery()] == fact.GetVerdict() {
				b.t.Errorf("%v was told of %s already: %v", fact.GetVerdict(), fact.GetRecovery(), err)
			}
			said[fact.GetRecovery()] = fact.GetVerdict()
			verdicts++
		}
	}
	if now := b.stand(); now.GetLevel() != level {
		b.t.Errorf("the level is %v, and %v was told", now.GetLevel(), level)
	}
	for _, r := range of(b.ListRecoveries(b.analyst(), &performancev1.ListRecoveriesRequest{Parent: engineName})).done(b.t).GetRecoveries() {
		if said[r.GetName()] != r.GetVerdict() {
			b.t.Errorf("%s is %v, and %v was told", r.GetName(), r.GetVerdict(), said[r.GetName()])
		}
		delete(said, r.GetName())
	}
	if len(said) > 0 {
		b.t.Errorf("told, and nowhere to be read: %v", said)
	}
	return levels, verdicts
}

// washedLog is lines of daily readings up to yesterday, whose ITT falls by 12 °C half way; the wash between them is told by no line.
func washedLog(days int) (before, after []string) {
	lines := log(days)
	for day := range days / 2 {
		lines[day], lines[day+days/2] = sameDay(lines[day], lines[day+days/2]), sameDay(lines[day+days/2], lines[day])
	}
	return lines[:days/2], lines[days/2:]
}

// sameDay is what another day's line says, on the day of this one.
func sameDay(day, other string) string {
	at, say := strings.Split(day, ","), strings.Split(other, ",")
	say[1] = at[1]
	return strings.Join(say, ",")
}

// A release and the readings after it may come in either order, and the release late and again: the engine stands the same in the end. In the
// usual order the verdict that nothing can be said yet is read and told; where one assessment takes in both it can't be read, so it is not told.
func TestEveryStateThatCouldBeReadIsTold(t *testing.T) {
	before, after := washedLog(160)
	var wash []string // no line tells it
	var want *performancev1.Assessment
	for _, c := range []struct {
		name     string
		steps    [][]string // nil is the release
		verdicts int
	}{
		{"in the usual order", [][]string{before, wash, after}, 2}, {"late", [][]string{before, after, wash}, 1},
		{"early", [][]string{wash, before, after}, 2}, {"again", [][]string{before, wash, wash, after, wash}, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			benches(t, func(t *testing.T, b bench) {
				b.withModel(nil)
				var verdicts int
				for _, step := range c.steps {
					if step != nil {
						b.take(step)
					} else if err := b.hear(b.app, "coldsection.workorder.released.v1", released("RECOVERY_WASH", 80*24+12)); err != nil {
						t.Fatal(err)
					}
					_, verdicts = b.told()
				}
				if verdicts != c.verdicts {
					t.Errorf("%d verdicts were told, want %d", verdicts, c.verdicts)
				}
				if want == nil {
					want = b.stand()
				} else if got := b.stand(); !proto.Equal(got, want) {
					t.Errorf("%v\nwant %v", got, want)
				}
			})
		})
	}
}

// planned is what somebody believes of the engine's advices who hears facts alone: the open ones, with their reasons.
func (b bench) planned() map[string]string {
	b.t.Helper()
	open := map[string]string{}
	for _, f := range b.factsOfEngine() {
		switch f.Type {
		case "coldsection.performance.wash.recommended.v1":
			fact := &performancev1.WashRecommended{}
			if err := protojson.Unmarshal(f.Data, fact); err != nil || len(fact.GetReasons()) == 0 {
				b.t.Errorf("%v: %v", fact, err)
			}
			open[fact.GetWashAdvice()] = strings.Join(fact.GetReasons(), " ")
		case "coldsection.performance.advice.withdrawn.v1":
			fact := &performancev1.WashAdviceWithdrawn{}
			if err := protojson.Unmarshal(f.Data, fact); err != nil || open[fact.GetWashAdvice()] == "" || fact.GetEngine() != engineName || fact.GetEngineSerial() != "DEMO-1" ||
				fact.GetEngineModel() != modelName || fact.GetKind() != "recovery_wash" || fact.GetCause() != "programme" || fact.GetWithdrawTime() == nil {
				b.t.Errorf("%v was taken back and did not stand: %v", fact, err)
			}
			delete(open, fact.GetWashAdvice())
		}
	}
	return open
}

// open are the engine's open advices as they can be read, with their reasons.
func (b bench) open() map[string]string {
	b.t.Helper()
	out := map[string]string{}
	for _, a := range of(b.ListWashAdvices(b.analyst(), &performancev1.ListWashAdvicesRequest{Parent: engineName, Filter: `state = "OPEN"`})).done(b.t).GetWashAdvices() {
		out[a.GetName()] = strings.Join(a.GetReasons(), " ")
	}
	return out
}

// The programme asks for a wash 100 days after the last. A wash that is entered late takes the advice back, and one that never was lets it stand
// again, for the reasons of now: whoever hears the facts alone has the same advices open as whoever reads them.
func TestAnAdviceThatIsTakenBackIsTold(t *testing.T) {
	const recommended, withdrawn = "coldsection.performance.wash.recommended.v1", "coldsection.performance.advice.withdrawn.v1"
	benches(t, func(t *testing.T, b bench) {
		b.withModel(func(m *performancev1.EngineModel) { priced(m); m.Advice.ProgrammeHours = 0 })
		b.washed(0, 120)
		b.fly(worn{days: 120, noise: 1, dirt: func(int) float64 { return 0 }})
		takeBack := func(day int) {
			t.Helper()
			for _, e := range b.events() {
				if e.GetEventTime().AsTime().Equal(dayOf(day, 120).Add(-time.Hour)) && e.GetWithdrawTime() == nil {
					of(b.WithdrawEngineEvent(b.analyst(), &performancev1.WithdrawEngineEventRequest{Name: e.GetName(), Reason: "It was the other engine."})).done(t)
				}
			}
		}
		check := func(when string, wantOpen, wantRecommended, wantWithdrawn int) {
			t.Helper()
			open, believed := b.open(), b.planned()
			if len(open) != wantOpen || b.facts(recommended) != wantRecommended || b.facts(withdrawn) != wantWithdrawn {
				t.Fatalf("%s: %d open, recommended %d times and taken back %d times", when, len(open), b.facts(recommended), b.facts(withdrawn))
			}
			if wantOpen > 0 && !maps.Equal(open, believed) {
				t.Errorf("%s: %v can be read, %v was told", when, open, believed)
			}
		}
		check("after 119 days", 1, 1, 0)
		b.washed(60, 120)
		check("after a wash that was entered late", 0, 1, 1)
		b.take(log(1)) // which goes on from where the analysis stands
		check("and another reading", 0, 1, 1)
		takeBack(60)
		check("after that wash was taken back", 1, 2, 1)
		b.washed(118, 120) // this one came after the advice, and answers it
		check("after a wash that answers it", 0, 2, 1)
		takeBack(118)
		check("and was taken back", 1, 3, 1)
		b.washed(10, 120)
		check("after a second one before it", 1, 4, 2) // the advice of the second cycle, not that of the first
		takeBack(0)
		check("after the first was taken back", 1, 5, 3)
	})
}
