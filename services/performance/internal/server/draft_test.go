package server_test

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

// flow sends the readings from the oldest to the newest, hours before the morning.
func (b bench) flow(m *performancev1.EngineModel, oldest, newest int, change func(reqs []*performancev1.StreamReadingsRequest)) *performancev1.StreamReadingsResponse {
	b.t.Helper()
	var reqs []*performancev1.StreamReadingsRequest
	for n := oldest; n >= newest; n-- {
		reqs = append(reqs, flowing(m, n))
	}
	if change != nil {
		change(reqs)
	}
	return of(b.send(reqs...)).done(b.t)
}

// outlook is how the engine and its readings stand, whatever way they came.
func (b bench) outlook() (*performancev1.Assessment, []*performancev1.Reading) {
	b.t.Helper()
	all := b.readings()
	for _, r := range all {
		r.Etag, r.CreateTime = "", nil
	}
	return b.stand(), all
}

// An engine is worked out while its readings stream in where that is possible, and at the end where it is not; both say the same.
// Which way it went is seen in the etags: of a reading that was judged before it was kept, there is one version.
func TestAStreamIsWorkedOutOnItsWayAsAtItsEnd(t *testing.T) {
	warm := func(reqs []*performancev1.StreamReadingsRequest) { // the newest third, one of them impossible
		for _, r := range reqs[len(reqs)*2/3:] {
			r.Reading.Itt = in("699.5", "Cel")
		}
		reqs[len(reqs)/2].Reading.Oat = in("150", "Cel")
	}
	var wantA *performancev1.Assessment
	var held int64
	var want []*performancev1.Reading
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		got := b.flow(m, 950, 1, warm)
		if held = got.GetHeldCount(); got.GetTakenCount() != 950 || held == 0 {
			t.Errorf("got %v", got)
		}
		for _, r := range b.readings() {
			if r.GetEtag() != "v1" {
				t.Fatalf("%s was written twice", r.GetName())
			}
		}
		wantA, want = b.outlook()
		if b.facts("coldsection.engine.reading.recorded.v1") != 1 || len(wantA.GetShifts()) == 0 {
			t.Errorf("%d facts, %v", b.facts("coldsection.engine.reading.recorded.v1"), wantA)
		}
	})
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		got := b.flow(m, 950, 1, func(reqs []*performancev1.StreamReadingsRequest) {
			warm(reqs)
			slices.Reverse(reqs)
		})
		if got.GetTakenCount() != 950 || got.GetHeldCount() != held {
			t.Errorf("got %v", got)
		}
		if a, all := b.outlook(); !proto.Equal(a, wantA) || !slices.EqualFunc(all, want, func(x, y *performancev1.Reading) bool { return proto.Equal(x, y) }) {
			t.Errorf("backwards %v\nwant %v", a, wantA)
		}
	})
}

// What happens to an engine while its readings stream in counts: the engine is then worked out from what is stored.
func TestAStreamHeedsWhatHappensBeside(t *testing.T) {
	for name, beside := range map[string]func(b bench, m *performancev1.EngineModel){
		"a reading": func(b bench, m *performancev1.EngineModel) {
			of(b.CreateReading(b.analyst(), &performancev1.CreateReadingRequest{Parent: engineName, Reading: newReading(m, 2000).GetReading()})).done(b.t)
		},
		"an event": func(b bench, _ *performancev1.EngineModel) {
			of(b.CreateEngineEvent(b.analyst(), &performancev1.CreateEngineEventRequest{
				Parent: engineName, EngineEvent: &performancev1.EngineEvent{Kind: performancev1.EngineEvent_SENSOR_WORK, EventTime: stampAt(1000)},
			})).done(b.t)
		},
	} {
		t.Run(name, func(t *testing.T) {
			benches(t, func(t *testing.T, b bench) {
				m := b.withModel(nil)
				stream := of(b.StreamReadings(b.as("integrator"))).done(t)
				sent := func(oldest, newest int) {
					for n := oldest; n >= newest; n-- {
						if err := stream.Send(flowing(m, n)); err != nil {
							t.Fatal(err)
						}
					}
				}
				sent(1900, 1400)
				for len(b.readings()) < 400 { // until the first batches of them are kept
					if t.Context().Err() != nil {
						t.Fatal("the first readings were not kept")
					}
				}
				b.clock.Advance(time.Second)
				beside(b, m)
				sent(1399, 1100)
				got := of(stream.CloseAndRecv()).done(t)
				if got.GetTakenCount() != 801 {
					t.Errorf("got %v", got)
				}
				a, all := b.outlook()
				decided := all[len(all)-1].GetName()
				of(b.ExcludeReading(b.analyst(), &performancev1.ExcludeReadingRequest{Name: decided, Reason: "Seen twice."})).done(t)
				of(b.IncludeReading(b.analyst(), &performancev1.IncludeReadingRequest{Name: decided, Reason: "Right after all."})).done(t)
				anew, again := b.outlook()
				if a.GetReadingsUsed() != anew.GetReadingsUsed() || !proto.Equal(a.GetIttDeviationC(), anew.GetIttDeviationC()) {
					t.Errorf("%v\nanew %v", a, anew)
				}
				for i := range all[:len(all)-1] {
					if !proto.Equal(all[i], again[i]) {
						t.Errorf("%v\nanew %v", all[i], again[i])
					}
				}
			})
		})
	}
}
