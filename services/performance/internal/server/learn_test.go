package server_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/cycle"
)

// fleetDays is how long the fleet flies before the tests begin.
const fleetDays = 50

// flyFleet are readings of the invented engine A under four serial numbers, two a day in changing weather, each with an ITT
// offset of its own; all were washed the day before the first.
func (b bench) flyFleet(offsets ...float64) {
	b.t.Helper()
	engine, err := cycle.New(cycle.Demonstration()[0])
	if err != nil {
		b.t.Fatal(err)
	}
	random := rand.New(rand.NewPCG(8, 9))
	var csv strings.Builder
	csv.WriteString("engine_serial,time_utc,pressure_altitude_m,oat_c,airspeed_kt,torque_nm,propeller_speed_rpm,ng_pct,itt_c,fuel_flow_kg_h\n")
	for e, offset := range offsets {
		of(b.CreateEngineEvent(b.analyst(), &performancev1.CreateEngineEventRequest{Parent: known[e].GetName(), EngineEvent: &performancev1.EngineEvent{
			Kind: performancev1.EngineEvent_RECOVERY_WASH, EventTime: timestamppb.New(dayOf(-1, fleetDays)),
		}})).done(b.t)
		for i := range 2 * fleetDays {
			altitude := 3000 * random.Float64()
			c := cycle.Standard(altitude, 0, 30*random.Float64()-15)
			c.PropellerSpeed = []float64{1600, 1700, 1850}[random.IntN(3)]
			p, err := engine.Solve(c, cycle.Health{}, cycle.Power((0.6+0.35*random.Float64())*engine.DesignPower()*(1-altitude/15000)), cycle.Point{})
			if err != nil {
				b.t.Fatal(err)
			}
			_, _ = fmt.Fprintf(&csv, "%s,%s,%.0f,%.3f,0,%.3f,%.0f,%.3f,%.3f,%.3f\n", known[e].GetSerial(), dayOf(i/2, fleetDays).Add(time.Duration(i%2)*4*time.Hour).Format(time.RFC3339),
				altitude, c.OAT, p.Torque(), c.PropellerSpeed, p.Ng+0.1*random.NormFloat64(), p.ITT+offset+2*random.NormFloat64(), p.Fuel*(1+0.005*random.NormFloat64()))
		}
	}
	if got := of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: csv.String()})).done(b.t); got.GetRowsTaken() != int32(2*fleetDays*len(offsets)) {
		b.t.Fatalf("%v", got)
	}
}

// Four engines at −2, 0, 2 and 4 °C: the fleet's mean lies 1 °C above the table that their model was made with, which the
// learned baseline finds within half a degree, as its readings scatter by 2 °C.
func TestABaselineIsLearnedFromTheFleet(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		b.flyFleet(-2, 0, 2, 4)
		got := of(b.LearnBaseline(b.analyst(), &performancev1.LearnBaselineRequest{Name: modelName})).done(t)
		if len(got.GetEngines()) != 4 || got.GetReadingCount() < 390 || got.GetWindowDays() != 60 || got.GetModelRevision() != m.GetRevision() || len(got.GetCautions()) == 0 {
			t.Fatalf("%v", got)
		}
		near(t, "difference from the table", got.GetDifference().GetIttC(), 1, 0.5)
		near(t, "scatter", got.GetScatter().GetIttK(), 2, 0.4)
		near(t, "error of the mean of −2, 0, 2 and 4", got.GetLevelError().GetIttK(), math.Sqrt(20.0/3/4), 0.3)
		for _, e := range got.GetEngines() {
			if e.GetReadingCount() > 2*fleetDays || e.GetEngineSerial() == "" || !e.GetFirstReadTime().AsTime().Before(e.GetLastReadTime().AsTime()) {
				t.Errorf("%v", e)
			}
		}
		if again := of(b.LearnBaseline(b.analyst(), &performancev1.LearnBaselineRequest{Name: modelName, WindowDays: 60})).done(t); again.GetDigest() != got.GetDigest() {
			t.Error("the same readings gave another baseline")
		}
		of(b.LearnBaseline(b.analyst(), &performancev1.LearnBaselineRequest{Name: modelName, WindowDays: 7})).refused(t, "LEARNING_ENGINES_TOO_FEW")
		of(b.LearnBaseline(b.analyst(), &performancev1.LearnBaselineRequest{Name: "engineModels/none"})).refused(t, "NOT_FOUND")
		of(b.LearnBaseline(b.as("technician"), &performancev1.LearnBaselineRequest{Name: modelName})).refused(t, "ROLE_MISSING")
	})
}

func TestALearnedBaselineIsAdoptedAsItWasJudged(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		b.flyFleet(-2, 0, 2)
		judged := of(b.LearnBaseline(b.analyst(), &performancev1.LearnBaselineRequest{Name: modelName})).done(t)
		adopt := &performancev1.AdoptBaselineRequest{
			Name: modelName, Etag: m.GetEtag(), Digest: judged.GetDigest(), Document: paper("Fleet baseline"), RequestId: "6a1f0c0e-0000-4000-8000-000000000001",
		}
		change := func(fn func(*performancev1.AdoptBaselineRequest)) *performancev1.AdoptBaselineRequest {
			other := proto.CloneOf(adopt)
			other.RequestId = ""
			fn(other)
			return other
		}
		of(b.AdoptBaseline(b.as("technician"), adopt)).refused(t, "ROLE_MISSING")
		of(b.AdoptBaseline(b.analyst(), change(func(r *performancev1.AdoptBaselineRequest) { r.Digest = "another" }))).refused(t, "LEARNED_BASELINE_CHANGED")
		of(b.AdoptBaseline(b.analyst(), change(func(r *performancev1.AdoptBaselineRequest) { r.Document.Revision = "" }))).refused(t, "DOCUMENT_MISSING")
		of(b.AdoptBaseline(b.analyst(), change(func(r *performancev1.AdoptBaselineRequest) { r.ValidateOnly = true }))).done(t)
		second := of(b.AdoptBaseline(b.analyst(), adopt)).done(t)
		p := second.GetBaseline().GetPolynomial()
		if second.GetRevision() != 2 || p.GetDocument().GetTitle() != paper("Fleet baseline").GetTitle() || p.GetBasis() == "" || len(second.GetBaseline().GetPoints()) != 0 {
			t.Fatalf("%v", second)
		}
		if len(p.GetTerms()) != len(judged.GetPolynomial().GetTerms()) || p.GetUncertainty().GetIttC() != judged.GetPolynomial().GetUncertainty().GetIttC() {
			t.Errorf("adopted %v, judged %v", p, judged.GetPolynomial())
		}
		if again := of(b.AdoptBaseline(b.analyst(), adopt)).done(t); again.GetRevision() != 2 {
			t.Errorf("a repeated request made revision %d", again.GetRevision())
		}
		of(b.AdoptBaseline(b.analyst(), change(func(*performancev1.AdoptBaselineRequest) {}))).refused(t, "ETAG_MISMATCH")
		old := of(b.GetEngineModel(b.analyst(), &performancev1.GetEngineModelRequest{Name: modelName, Revision: 1})).done(t)
		if len(old.GetBaseline().GetPoints()) == 0 {
			t.Error("the first revision lost its table")
		}
		if n := b.facts("coldsection.performance.baseline.adopted.v1"); n != 2 {
			t.Errorf("%d facts tell of two revisions", n)
		}
	})
}
