package server_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/clock"
)

// log is lines of daily readings up to yesterday, whose ITT rises by 12 °C half way.
func log(days int) []string {
	random := rand.New(rand.NewPCG(4, 4))
	var lines []string
	for day := range days {
		step := 0.0
		if day >= days/2 {
			step = 12
		}
		lines = append(lines, fmt.Sprintf("DEMO-1,%s,6000,5,150,1300,1700,%.1f,%.0f,%.0f", morning.AddDate(0, 0, day-days).Format(time.RFC3339),
			94.1+0.1*random.NormFloat64(), 655+step+3*random.NormFloat64(), 330+2*random.NormFloat64()))
	}
	return lines
}

func (b bench) take(lines []string) {
	b.t.Helper()
	header := "engine_serial,time_utc,pressure_altitude_ft,oat_c,cas_kt,torque_lbf_ft,np_rpm,ng_pct,itt_c,fuel_flow_lb_h\n"
	of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: header + strings.Join(lines, "\n") + "\n"})).done(b.t)
}

// stand is the assessment without when it was computed.
func (b bench) stand() *performancev1.Assessment {
	b.t.Helper()
	a := of(b.GetAssessment(b.analyst(), &performancev1.GetAssessmentRequest{Name: engineName + "/assessment"})).done(b.t)
	a = proto.CloneOf(a)
	a.ComputeTime = nil
	return a
}

// However readings come — all at once, in pieces, one of them late — the engine stands the same in the end.
func TestReadingsInPiecesGiveTheSameAssessment(t *testing.T) {
	lines := log(160)
	var want []*performancev1.Assessment
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		b.take(lines)
		want = append(want, b.stand())
		if len(want[0].GetShifts()) == 0 || want[0].GetReadingsUsed() < 150 {
			t.Fatalf("%v", want[0])
		}
	})
	for name, order := range map[string][][]string{
		"in pieces": {lines[:100], lines[100:101], lines[101:140], lines[140:]}, "one late": {append(slices.Clone(lines[:60]), lines[61:]...), lines[60:61]},
		"a piece again": {lines[:120], lines[100:160]},
	} {
		t.Run(name, func(t *testing.T) {
			benches(t, func(t *testing.T, b bench) {
				b.withModel(nil)
				for _, piece := range order {
					b.take(piece)
				}
				if got := b.stand(); !proto.Equal(got, want[0]) {
					t.Errorf("%v\nwant %v", got, want[0])
				}
			})
		})
	}
}

// A person's decision about an old reading counts, and readings after it go on from there.
func TestADecisionBeginsAnew(t *testing.T) {
	lines := log(120)
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		b.take(lines[:100])
		list := of(b.ListReadings(b.analyst(), &performancev1.ListReadingsRequest{Parent: engineName, PageSize: 200})).done(t).GetReadings()
		used := b.stand().GetReadingsUsed()
		of(b.ExcludeReading(b.analyst(), &performancev1.ExcludeReadingRequest{Name: list[10].GetName(), Reason: "Wrong engine."})).done(t)
		if got := b.stand().GetReadingsUsed(); got != used-1 {
			t.Errorf("%d readings are used, %d were", got, used)
		}
		b.take(lines[100:])
		if got := b.stand().GetReadingsUsed(); got < used+15 || got > used+19 {
			t.Errorf("%d readings are used after twenty more than %d", got, used)
		}
	})
}

// What one more reading takes over gRPC with 100 and with 10,000 behind it, and the ratio. Set
// COLDSECTION_TEST_MEASURE=1 to measure; the times depend on the machine, so nothing is asserted but that the ratio is below
// three, where working everything out anew is above thirty.
func TestWhatOneMoreReadingCosts(t *testing.T) {
	if os.Getenv("COLDSECTION_TEST_MEASURE") != "1" {
		t.Skip("set COLDSECTION_TEST_MEASURE=1 to measure")
	}
	benches(t, func(t *testing.T, b bench) {
		b.withModel(nil)
		lines := log(10_200)
		cost := func(from int) time.Duration {
			begin := clock.System().Now()
			for _, line := range lines[from : from+50] {
				b.take([]string{line})
			}
			return clock.System().Now().Sub(begin) / 50
		}
		b.take(lines[:100])
		few := cost(100)
		for piece := range slices.Chunk(lines[150:10_000], 1970) {
			b.take(piece)
		}
		t.Logf("the first ones after the import: %v", cost(10_000))
		many := cost(10_050)
		t.Logf("one more reading: %v after 100, %v after 10,000, ratio %.2f", few, many, float64(many)/float64(few))
		if many > 3*few {
			t.Errorf("it took %v after 100 and %v after 10,000", few, many)
		}
	})
}
