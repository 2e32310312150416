package server_test

import (
	"context"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
)

// told checks that every state of the engine that could ever be read was told: levels in a chain from one to the next, and the newest level
// and verdicts are those that can be read now.
func (b bench) told() (levels, verdicts int) {
	b.t.Helper()
	var facts []outbox.Event
	if err := b.db.View(b.t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
		facts, err = outbox.About(ctx, tx, "performance", engineName, 0, 1000)
		return err
	}); err != nil {
		b.t.Fatal(err)
	}
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
