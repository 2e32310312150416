package scenarios

import (
	"fmt"
	"strings"
	"testing"

	"google.golang.org/grpc"

	"coldsection.example/integration/harness"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/clock"
)

// longFleet is how many aircraft the long table has: several parts of the import's rows.
const longFleet = 3000

// longTable has that many aircraft, of which the tenth is bad; demonstration only.
func longTable() []byte {
	var b strings.Builder
	b.WriteString("aircraft_id,registration,regime,operating_hours,cycles\n")
	for i := range longFleet {
		regime := "EASA"
		if i == 9 {
			regime = "MARS"
		}
		fmt.Fprintf(&b, "plane-%04d,DEMO-%04d,%s,%d.5,%d\n", i, i, regime, i, i)
	}
	return []byte(b.String())
}

// The process is killed in the middle of a long import of a fleet, once more while it goes on unless that was over first, and started again
// each time: the import ends by itself, names its bad row, and every other aircraft is there once, with its counters.
func TestALongImportOfAFleetGoesOnAfterKills(t *testing.T) {
	stage := harness.OneProcess(t)
	i := &importer{t: t, conn: stage.Conn(t), who: administrator(t, stage), rows: longFleet}
	must(t, i.who.REST("PATCH", "/v1/accounts/admin?updateMask=roles", map[string]any{"roles": []string{"admin", "planner"}}))
	request := &compliancev1.BulkImportFleetRequest{Rows: compliancev1.FleetRows_AIRCRAFT, Content: longTable(), RequestId: "5b1f4c1e-9a0d-4a57-8f0b-7c2d3e4f5a61"}
	start := func() string {
		op, err := compliancev1.NewExchangeServiceClient(i.conn).BulkImportFleet(i.who.Context(), request, grpc.WaitForReady(true))
		if err != nil {
			t.Fatal(err)
		}
		return op.GetName()
	}
	i.name = start()
	rows, under := i.middle(0)
	if !under {
		t.Fatalf("the import was over before it could be killed, after %d rows", rows)
	}
	for range 2 {
		stage.Processes[0].Kill()
		stage.Processes[0].Again()
		if rows, under = i.middle(rows); !under {
			break
		}
	}
	if again := start(); again != i.name {
		t.Errorf("the same request after the kill is another import: %s, not %s", again, i.name)
	}
	op, far := i.now()
	for ; !op.GetDone(); op, far = i.now() {
		if t.Context().Err() != nil {
			t.Fatalf("the import does not go on: %v", far)
		}
		<-clock.System().After(pause)
	}
	result := &compliancev1.ImportFleetResponse{}
	if err := op.GetResponse().UnmarshalTo(result); err != nil {
		t.Fatalf("%v: %v", op, err)
	}
	if result.GetImportedCount() != longFleet-1 || result.GetUnchangedCount() != 0 || far.GetRefusedCount() != 1 || far.GetRowErrors()[0].GetLine() != 11 {
		t.Errorf("%d taken, %d unchanged, refused %v", result.GetImportedCount(), result.GetUnchangedCount(), far.GetRowErrors())
	}
	i.everyAircraftOnce()
}

// everyAircraftOnce reads all aircraft.
func (i *importer) everyAircraftOnce() {
	i.t.Helper()
	query, seen := compliancev1.NewComplianceQueryServiceClient(i.conn), map[string]int{}
	for request, more := (&compliancev1.ListAircraftRequest{PageSize: 1000}), true; more; more = request.GetPageToken() != "" {
		page, err := query.ListAircraft(i.who.Context(), request)
		if err != nil {
			i.t.Fatal(err)
		}
		for _, plane := range page.GetAircraft() {
			seen[plane.GetName()]++
			var n int64
			if _, err := fmt.Sscanf(plane.GetName(), "aircraft/plane-%04d", &n); err != nil || plane.GetCounters().GetOperatingSeconds() != n*3600+1800 || plane.GetCounters().GetCycles() != n {
				i.t.Errorf("%s has %v", plane.GetName(), plane.GetCounters())
			}
		}
		request.PageToken = page.GetNextPageToken()
	}
	if len(seen) != longFleet-1 || seen["aircraft/plane-0009"] != 0 {
		i.t.Errorf("%d aircraft, the bad one %d times", len(seen), seen["aircraft/plane-0009"])
	}
	for name, n := range seen {
		if n != 1 {
			i.t.Errorf("%s is there %d times", name, n)
		}
	}
}
