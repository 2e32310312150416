package server_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

// said is everything that is said of an engine, by what it is about, without names that depend on the way it came.
func (b bench) said() map[string]string {
	b.t.Helper()
	out := map[string]string{"assessment": b.stand().String()}
	for _, r := range b.recoveries() {
		r = proto.CloneOf(r)
		r.ComputeTime = nil
		out[r.GetName()] = r.String()
	}
	for _, a := range of(b.ListWashAdvices(b.analyst(), &performancev1.ListWashAdvicesRequest{Parent: engineName, Filter: `state = "OPEN"`})).done(b.t).GetWashAdvices() {
		out[a.GetName()] = fmt.Sprint(a.GetKind(), a.GetCause(), a.GetReasons(), a.GetAdviseTime().AsTime(), a.GetIttDeviationC())
	}
	for _, r := range b.readings() {
		if r.GetState() != performancev1.Reading_SUPERSEDED {
			out["reading of "+r.GetReadTime().AsTime().Format(time.RFC3339)] = fmt.Sprint(r.GetState(), r.GetStateReason(), r.GetValues(), r.GetDeviation())
		}
	}
	margin, err := b.ComputeMargin(b.analyst(), &performancev1.ComputeMarginRequest{Name: engineName})
	out["margin"] = fmt.Sprint(margin, err)
	forecast, err := b.ForecastMargin(b.analyst(), &performancev1.ForecastMarginRequest{Name: engineName})
	out["forecast"] = fmt.Sprint(forecast, err)
	prediction, err := b.PredictRecovery(b.analyst(), &performancev1.PredictRecoveryRequest{Name: engineName})
	out["prediction"] = fmt.Sprint(prediction, err)
	interval, err := b.AdviseInterval(b.analyst(), &performancev1.AdviseIntervalRequest{Name: engineName})
	out["interval"] = fmt.Sprint(interval, err)
	return out
}

// logged are the days of an engine as its log has them: rows, which of them were written down wrongly first, and which are set aside.
type logged struct {
	rows, wrong   []string // wrong is the row as it was first written, and else the same
	days          int
	excluded      []int
	held, decided int // a day that is held, and one that was held and is included again
}

func newLog(t *testing.T) logged {
	t.Helper()
	w := worn{days: 150, noise: 2, dirt: rising}
	l := logged{rows: w.lines(t), days: w.days, excluded: []int{20, 61, 140}, held: 59, decided: 130}
	l.wrong = slices.Clone(l.rows)
	for day, by := range map[int]float64{70: 1.3, 75: 0.8, 125: 1.2} { // fuel flow only: what is said of ITT stays
		cells := strings.Split(strings.TrimSpace(l.rows[day]), ",")
		var fuel float64
		if _, err := fmt.Sscan(cells[10], &fuel); err != nil {
			t.Fatal(err)
		}
		cells[10] = fmt.Sprintf("%.4f", fuel*by)
		l.wrong[day] = strings.Join(cells, ",") + "\n"
	}
	return l
}

// on is the reading that stands for a day; nil while it has not come.
func (b bench) on(l logged, day int) *performancev1.Reading {
	b.t.Helper()
	for _, r := range b.readings() {
		if r.GetReadTime().AsTime().Equal(dayOf(day, l.days)) && r.GetState() != performancev1.Reading_SUPERSEDED {
			return r
		}
	}
	return nil
}

func (b bench) exclude(r *performancev1.Reading) {
	b.t.Helper()
	of(b.ExcludeReading(b.analyst(), &performancev1.ExcludeReadingRequest{Name: r.GetName(), Reason: "other engine"})).done(b.t)
}

func (b bench) hold(r *performancev1.Reading) {
	b.t.Helper()
	of(b.HoldReading(b.analyst(), &performancev1.HoldReadingRequest{Name: r.GetName(), Reason: "probe wet"})).done(b.t)
}

func (b bench) include(r *performancev1.Reading) {
	b.t.Helper()
	of(b.IncludeReading(b.analyst(), &performancev1.IncludeReadingRequest{Name: r.GetName(), Reason: "looked at"})).done(b.t)
}

// mend corrects the fuel flow of a day to what the log should have said.
func (b bench) mend(l logged, day int) {
	b.t.Helper()
	wrong := b.on(l, day)
	right := proto.CloneOf(wrong)
	right.FuelFlow.Text = strings.Split(strings.TrimSpace(l.rows[day]), ",")[10]
	of(b.CorrectReading(b.analyst(), &performancev1.CorrectReadingRequest{Name: wrong.GetName(), Reading: right, Reason: "misread"})).done(b.t)
}

// event enters something done at noon before a day.
func (b bench) event(l logged, kind performancev1.EngineEvent_Kind, day int) *performancev1.EngineEvent {
	b.t.Helper()
	return of(b.CreateEngineEvent(b.analyst(), &performancev1.CreateEngineEventRequest{Parent: engineName, EngineEvent: &performancev1.EngineEvent{
		Kind: kind, EventTime: timestamppb.New(dayOf(day, l.days).Add(-time.Hour)), OperatingHours: float64(1000 + 5*day),
	}})).done(b.t)
}

// revise enters the model's noise and rules as they are in the end.
func (b bench) revise(m *performancev1.EngineModel) {
	b.t.Helper()
	next := proto.CloneOf(m)
	next.Noise, next.Limits[0].MaxValue, next.Etag = &performancev1.Noise{IttC: 2.4, NgPct: 0.08, FuelFlowPct: 0.25}, 812, ""
	of(b.UpdateEngineModel(b.analyst(), &performancev1.UpdateEngineModelRequest{
		EngineModel: next, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"noise", "limits"}},
	})).done(b.t)
}

// whole is the log in the order of its days with all that was done known before: what every other way is held against.
func (b bench) whole(l logged) map[string]string {
	b.t.Helper()
	b.revise(b.withModel(priced))
	b.event(l, performancev1.EngineEvent_RECOVERY_WASH, 60)
	b.event(l, performancev1.EngineEvent_SALT_RINSE, 90)
	of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: flightHeader + strings.Join(l.rows, "")})).done(b.t)
	for _, day := range l.excluded {
		b.exclude(b.on(l, day))
	}
	b.hold(b.on(l, l.held))
	b.include(b.on(l, l.decided))
	return b.said()
}

// astray is the same log by a crooked way: in pieces, shuffled or not, some twice, with mistakes that are mended in between, a wash that never was, decisions
// that are changed, and data of the engine that come at last.
func (b bench) astray(l logged, seed uint64) map[string]string {
	b.t.Helper()
	rng := rand.New(rand.NewPCG(seed, 5))
	m, rows := b.withModel(priced), slices.Clone(l.wrong)
	if seed%3 > 0 {
		rng.Shuffle(len(rows), func(i, j int) { rows[i], rows[j] = rows[j], rows[i] })
	}
	var never *performancev1.EngineEvent
	left := []func(){
		func() { b.revise(m) }, func() { b.event(l, performancev1.EngineEvent_RECOVERY_WASH, 60) }, func() { b.event(l, performancev1.EngineEvent_SALT_RINSE, 90) },
		func() { never = b.event(l, performancev1.EngineEvent_RECOVERY_WASH, 110) },
	}
	rng.Shuffle(len(left), func(i, j int) { left[i], left[j] = left[j], left[i] })
	for _, piece := range slices.Collect(slices.Chunk(rows, 20+rng.IntN(50))) {
		for range 1 + rng.IntN(2) {
			of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: flightHeader + strings.Join(piece, "")})).done(b.t)
		}
		if r := b.on(l, l.excluded[0]); r != nil && r.GetState() != performancev1.Reading_EXCLUDED {
			b.exclude(r)
		}
		if r := b.on(l, l.decided); r != nil && r.GetState() != performancev1.Reading_HELD {
			b.hold(r)
		}
		if len(left) > 0 && rng.IntN(2) == 0 {
			left[0]()
			left = left[1:]
		}
	}
	for _, deed := range left {
		deed()
	}
	rest := []func(){
		func() { b.mend(l, 70) }, func() { b.mend(l, 75) }, func() { b.mend(l, 125) }, func() { b.exclude(b.on(l, l.excluded[1])) }, func() { b.exclude(b.on(l, l.excluded[2])) },
		func() { b.hold(b.on(l, l.held)) }, func() { b.include(b.on(l, l.decided)) }, func() {
			of(b.WithdrawEngineEvent(b.analyst(), &performancev1.WithdrawEngineEventRequest{Name: never.GetName(), Reason: "It was the other engine."})).done(b.t)
		},
	}
	rng.Shuffle(len(rest), func(i, j int) { rest[i], rest[j] = rest[j], rest[i] })
	for _, deed := range rest {
		deed()
	}
	return b.said()
}

// Whatever way a log comes in, and however often it was wrong on the way, in the end everything that is said of the engine is what is said where it came in
// order and right: levels, shifts, recoveries, the open advice with its reasons, margin, forecast, prediction and interval. What is set aside counts nowhere.
func TestWhateverWayALogComesTheEngineStandsTheSame(t *testing.T) {
	l := newLog(t)
	want := map[string]string{}
	benches(t, func(t *testing.T, b bench) {
		got := b.whole(l)
		if len(want) == 0 {
			want = got
		}
		held := strings.Contains(got["reading of "+dayOf(l.held, l.days).Format(time.RFC3339)], "HELD")
		if differs(t, got, want); !held || got[engineName+"/washAdvices/c1"] == "" || !strings.Contains(got["assessment"], "A wash is advised") {
			t.Fatalf("%d things are said: %v", len(got), got["assessment"])
		}
	})
	for seed := range uint64(5) {
		t.Run(fmt.Sprint("way ", seed), func(t *testing.T) {
			benches(t, func(t *testing.T, b bench) { differs(t, b.astray(l, seed), want) })
		})
	}
}

func differs(t *testing.T, got, want map[string]string) {
	t.Helper()
	for about, text := range want {
		if got[about] != text {
			t.Errorf("%s: %s\nwant %s", about, apart(got[about], text), apart(text, got[about]))
		}
	}
	for about, text := range got {
		if want[about] == "" {
			t.Errorf("said besides: %s: %s", about, text)
		}
	}
}

// apart is a text from shortly before the place where it differs from another.
func apart(text, other string) string {
	at := 0
	for at < min(len(text), len(other)) && text[at] == other[at] {
		at++
	}
	return fmt.Sprintf("… %.300s", text[max(0, at-80):])
}
