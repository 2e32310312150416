package scenarios

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"coldsection.example/integration/harness"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/killpoint"
)

// deaths are the points at which the one process kills itself, one after the other: at each that a fact passes, the first time in a life and the
// second; then around the release as performance takes it, and around what assessments came to.
func deaths() []string {
	var all []string
	for _, times := range []int{1, 2} {
		for _, point := range killpoint.Points() {
			all = append(all, fmt.Sprintf("%s=%d", point, times))
		}
	}
	for _, point := range []string{killpoint.ConsumerOffered, killpoint.ConsumerHandled, killpoint.ConsumerApplied} { // the story waits for no more
		all = append(all, point+" coldsection.workorder.released.v1 performance=1")
	}
	for _, fact := range []string{"level.changed", "recovery.computed"} { // of the readings after the wash, at the latest
		for _, point := range []string{killpoint.RelayClaimed, killpoint.RelayPublished} {
			all = append(all, fmt.Sprintf("%s coldsection.performance.%s.v1=1", point, fact))
		}
	}
	return all
}

// Case E1: the process dies before and after a commit, before and after publishing, and at every point of a consumer: every fact is there once.
// Case E2: a consumer that dies after its commit and before it says so does nothing twice.
func TestStoryGoesOnAfterDeathsAtEveryPoint(t *testing.T) {
	whole := whole(t)
	stage := harness.OneProcess(t)
	ctx, end := context.WithCancel(t.Context())
	var dying sync.WaitGroup
	const last = 4 // what the readings after the wash came to may be told before the program is ready to die of it
	out := play(t, stage, func(call int) {
		if call == 1 { // from then on there is a first administrator
			dying.Go(func() {
				missed, err := stage.Processes[0].Doom(ctx, deaths())
				if err != nil || len(missed) > last {
					t.Errorf("not reached: %q: %v", missed, err)
				}
				t.Logf("the story ended before %q", missed)
			})
		}
	})
	end()
	dying.Wait()
	sameFacts(t, out, whole)
	everyStateWasTold(t, stage)
}

// everyStateWasTold checks that what performance told of the engine leads from level to level without a gap, to the level and verdicts that can
// be read.
func everyStateWasTold(t *testing.T, stage *harness.Stage) {
	t.Helper()
	conn, who := stage.Conn(t), stage.SignIn(t, "analyst")
	page, err := accessv1.NewEventsServiceClient(conn).ListEvents(who.Context(), &accessv1.ListEventsRequest{
		Types: []string{"coldsection.performance.*"}, PageSize: 1000,
	})
	if err != nil {
		t.Fatal(err)
	}
	level, verdicts, engine := "CONDITION_LEVEL_UNSPECIFIED", map[string]string{}, ""
	for _, e := range page.GetEvents() {
		data := e.GetData().AsMap()
		switch e.GetType() {
		case "coldsection.performance.level.changed.v1":
			engine = fmt.Sprint(data["engine"])
			if previous, ok := data["previousLevel"]; ok && previous != level || !ok && level != "CONDITION_LEVEL_UNSPECIFIED" {
				t.Errorf("after %s came %v: a fact between is missing", level, data)
			}
			level = fmt.Sprint(data["level"])
		case "coldsection.performance.recovery.computed.v1":
			verdicts[fmt.Sprint(data["recovery"])] = fmt.Sprint(data["verdict"])
		}
	}
	query := performancev1.NewPerformanceQueryServiceClient(conn)
	now, err := query.GetAssessment(who.Context(), &performancev1.GetAssessmentRequest{Name: engine + "/assessment"})
	if err != nil || now.GetLevel().String() != level {
		t.Errorf("the level is %v, and %s was told last: %v", now.GetLevel(), level, err)
	}
	found, err := query.ListRecoveries(who.Context(), &performancev1.ListRecoveriesRequest{Parent: engine})
	if err != nil || len(found.GetRecoveries()) != len(verdicts) || len(verdicts) == 0 {
		t.Errorf("%d recoveries, and of %d was told: %v", len(found.GetRecoveries()), len(verdicts), err)
	}
	for _, r := range found.GetRecoveries() {
		if verdicts[r.GetName()] != r.GetVerdict().String() {
			t.Errorf("%s is %v, and %s was told last", r.GetName(), r.GetVerdict(), verdicts[r.GetName()])
		}
	}
}

// A long import whose process dies with a part in hand, and with a part done, goes on where it was.
func TestALongImportGoesOnAfterDeathsAtEveryPoint(t *testing.T) {
	stage := harness.OneProcess(t)
	i, _ := importing(t, stage)
	points := []string{
		killpoint.OperationClaimed + "=1", killpoint.OperationWorked + "=1", killpoint.StoreCommitted + "=2", killpoint.OperationWorked + "=1", killpoint.StoreWritten + "=2",
	}
	if missed, err := stage.Processes[0].Doom(t.Context(), points); err != nil || len(missed) > 0 {
		t.Fatalf("not reached: %q: %v", missed, err)
	}
	for op, far := i.now(); !op.GetDone(); op, far = i.now() {
		if t.Context().Err() != nil {
			t.Fatalf("the import does not go on: %v", far)
		}
		<-clock.System().After(10 * time.Millisecond)
	}
	i.everyRowOnce()
}
