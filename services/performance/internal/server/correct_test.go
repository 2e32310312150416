package server_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

func stampAt(hours int) *timestamppb.Timestamp {
	return timestamppb.New(morning.Add(-time.Duration(hours) * time.Hour))
}

func (b bench) readings() []*performancev1.Reading {
	b.t.Helper()
	return of(b.ListReadings(b.analyst(), &performancev1.ListReadingsRequest{Parent: engineName, PageSize: 1000, OrderBy: "read_time"})).done(b.t).GetReadings()
}

func (b bench) used() int32 {
	b.t.Helper()
	return of(b.GetAssessment(b.analyst(), &performancev1.GetAssessmentRequest{Name: engineName + "/assessment"})).done(b.t).GetReadingsUsed()
}

func TestACorrectionTakesTheReadingsPlace(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: siTable(m, 30), Source: "logbook"})).done(t)
		before := b.used()
		wrong := b.readings()[10]
		req := newReading(m, 20)
		req.Name, req.Etag = wrong.GetName(), wrong.GetEtag()
		of(b.CorrectReading(b.as("technician"), req)).refused(t, "ROLE_MISSING")
		of(b.CorrectReading(b.analyst(), req)).refused(t, "READING_UNCHANGED")
		req.Reading.Itt = in(wrong.GetItt().GetText()+"1", "Cel")
		right := of(b.CorrectReading(b.analyst(), req)).done(t)
		if right.GetSupersededReading() != wrong.GetName() || right.GetDeviation() == nil || right.GetSource() != "logbook" {
			t.Errorf("got %v", right)
		}
		old := of(b.GetReading(b.analyst(), &performancev1.GetReadingRequest{Name: wrong.GetName()})).done(t)
		if old.GetState() != performancev1.Reading_SUPERSEDED || old.GetCorrectingReading() != right.GetName() || old.GetStateText() != req.GetReason() ||
			old.GetItt().GetText() != wrong.GetItt().GetText() {
			t.Errorf("got %v", old)
		}
		if got := b.used(); got != before {
			t.Errorf("%d readings are used, before %d", got, before)
		}
		of(b.CorrectReading(b.analyst(), req)).refused(t, "ETAG_MISMATCH")
		req.Etag = ""
		of(b.CorrectReading(b.analyst(), req)).refused(t, "READING_SUPERSEDED")
		of(b.IncludeReading(b.analyst(), &performancev1.IncludeReadingRequest{Name: wrong.GetName(), Reason: "x"})).refused(t, "READING_SUPERSEDED")
		req.Name, req.Reading.ReadTime = right.GetName(), timestamppb.New(morning.Add(time.Hour))
		of(b.CorrectReading(b.analyst(), req)).refused(t, "READING_IN_FUTURE")
	})
}

// Whoever corrects a reading that was right can correct it back, as often as it takes; what another reading says already is said once.
func TestACorrectionCanBeTakenBack(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: siTable(m, 30), Source: "logbook"})).done(t)
		was, before := b.readings(), b.used()
		first := was[10]
		now, itt := first, first.GetItt().GetText()
		for _, text := range []string{itt + "1", itt, itt + "2", itt} {
			req := newReading(m, 20)
			req.Name, req.Reading.Itt = now.GetName(), in(text, "Cel")
			now = of(b.CorrectReading(b.analyst(), req)).done(t)
		}
		if now.GetState() != performancev1.Reading_ACCEPTED || !proto.Equal(now.GetValues(), first.GetValues()) || !proto.Equal(now.GetDeviation(), first.GetDeviation()) || b.used() != before {
			t.Errorf("%v\nwas %v; %d used, before %d", now, first, b.used(), before)
		}
		if all := b.readings(); len(all) != len(was)+4 {
			t.Errorf("%d readings are kept, want %d", len(all), len(was)+4)
		}
		stands := newReading(m, 21).GetReading()
		stands.SourceId = "" // so that what it says is its name
		of(b.CreateReading(b.analyst(), &performancev1.CreateReadingRequest{Parent: engineName, Reading: proto.CloneOf(stands)})).done(t)
		other := newReading(m, 20)
		other.Name, other.Reading = was[11].GetName(), stands
		of(b.CorrectReading(b.analyst(), other)).refused(t, "ALREADY_EXISTS")
	})
}

func TestACorrectionIsCheckedWithoutBeingKept(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: siTable(m, 30)})).done(t)
		wrong := b.readings()[10]
		req := newReading(m, 19)
		req.Name, req.ValidateOnly = wrong.GetName(), true
		of(b.CorrectReading(b.analyst(), req)).done(t)
		if n := len(b.readings()); n != 30 {
			t.Errorf("%d readings", n)
		}
	})
}

func TestAHeldReadingIsNotUsedUntilItIsIncluded(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: siTable(m, 30)})).done(t)
		before := b.used()
		name := b.readings()[10].GetName()
		of(b.HoldReading(b.analyst(), &performancev1.HoldReadingRequest{Name: name, Etag: "v999", Reason: "probe wet"})).refused(t, "ETAG_MISMATCH")
		held := of(b.HoldReading(b.analyst(), &performancev1.HoldReadingRequest{Name: name, Reason: "probe wet"})).done(t)
		if held.GetState() != performancev1.Reading_HELD || held.GetStateReason() != "HELD_BY_PERSON" || held.GetStateText() != "probe wet" || b.used() != before-1 {
			t.Errorf("got %v, %d used", held, b.used())
		}
		// What comes later runs the analysis again and leaves a person's decision alone.
		of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: siHeader + "\n" + siRow(m, 31) + "\n"})).done(t)
		if got := of(b.GetReading(b.analyst(), &performancev1.GetReadingRequest{Name: name})).done(t); got.GetState() != performancev1.Reading_HELD || b.used() != before {
			t.Errorf("got %v, %d used", got.GetState(), b.used())
		}
		of(b.IncludeReading(b.analyst(), &performancev1.IncludeReadingRequest{Name: name, Reason: "probe was dry"})).done(t)
		if b.used() != before+1 {
			t.Errorf("%d used", b.used())
		}
		of(b.ExcludeReading(b.analyst(), &performancev1.ExcludeReadingRequest{Name: name, Reason: "wet after all"})).done(t)
		if b.used() != before {
			t.Errorf("%d used", b.used())
		}
	})
}

// A row that arrives late is judged as if it had come in its turn: everything that follows is worked out again.
func TestLateRowsRunAgainWhatFollows(t *testing.T) {
	benches(t, func(t *testing.T, b bench) {
		m := b.withModel(nil)
		of(b.ImportReadings(b.analyst(), &performancev1.ImportReadingsRequest{Csv: siTable(m, 30)})).done(t)
		whole := of(b.GetTrend(b.analyst(), &performancev1.GetTrendRequest{Name: engineName + "/trend"})).done(t)
		benches(t, func(t *testing.T, late bench) {
			late.withModel(nil)
			for _, hours := range [][2]int{{15, 0}, {30, 15}} {
				text := siHeader + "\n"
				for h := hours[0]; h > hours[1]; h-- {
					text += siRow(m, h) + "\n"
				}
				of(late.ImportReadings(late.analyst(), &performancev1.ImportReadingsRequest{Csv: text})).done(t)
			}
			got := of(late.GetTrend(late.analyst(), &performancev1.GetTrendRequest{Name: engineName + "/trend"})).done(t)
			if len(got.GetPoints()) != 30 || got.GetSummary() != whole.GetSummary() {
				t.Fatalf("%d points, %s, in turn %s", len(got.GetPoints()), got.GetSummary(), whole.GetSummary())
			}
			for i, p := range got.GetPoints() {
				if p.GetState() != whole.GetPoints()[i].GetState() || p.GetLevel().GetIttC() != whole.GetPoints()[i].GetLevel().GetIttC() {
					t.Errorf("point %d: %v, in turn %v", i, p, whole.GetPoints()[i])
				}
			}
		})
	})
}
