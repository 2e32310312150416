package postings

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"coldsection.example/gateway/internal/accounts"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/eventbus/eventbustest"
	"coldsection.example/services/platform/facts"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

var start = time.Date(2026, 3, 1, 23, 0, 0, 0, time.UTC)

// each runs fn on both engines with a stream of its own.
func each(t *testing.T, fn func(t *testing.T, s *Store, bus *eventbus.Bus)) {
	t.Helper()
	storagetest.Engines(t, accounts.Migrations(), func(t *testing.T, db *storage.DB) {
		bus := eventbustest.Embedded(t)
		fn(t, &Store{DB: db, Clock: clock.NewFake(start), IDs: ids.System(), Feed: bus}, bus)
	})
}

// happen publishes a fact this long after the start.
func happen(t *testing.T, bus *eventbus.Bus, after time.Duration, id, typ string, data proto.Message) {
	t.Helper()
	e := outbox.New(id, start.Add(after), "test", typ, "things/"+id, data)
	e.Version = 1
	if err := bus.Publish(t.Context(), e); err != nil {
		t.Fatal(err)
	}
}

func moved(item, value, unit string) *consumablesv1.StockMoved {
	return &consumablesv1.StockMoved{Item: item, WorkOrder: "workOrders/w", Quantity: &commonv1.Quantity{Value: value, UnitCode: unit}}
}

func worked(seconds int64) *workordersv1.LabourRecorded {
	return &workordersv1.LabourRecorded{WorkOrder: "workOrders/w", LabourEntry: &workordersv1.LabourEntry{
		WorkedSeconds: seconds, StartTime: timestamppb.New(start),
	}}
}

const (
	issued = "coldsection.stock.issued.v1"
	labour = "coldsection.workorder.labour.recorded.v1"
)

func (s *Store) say(t *testing.T, req *accessv1.AcknowledgePostingRequest) (p *accessv1.Posting, err error) {
	t.Helper()
	err = s.DB.Update(auth.NewContext(t.Context(), auth.Identity{Account: "accounts/erp"}), func(ctx context.Context, tx *storage.Tx) (err error) {
		p, err = s.Acknowledge(ctx, tx, facts.Reader{}, req)
		return err
	})
	return p, err
}

func TestWhatWasSaidOnceStaysInTheHistory(t *testing.T) {
	each(t, func(t *testing.T, s *Store, bus *eventbus.Bus) {
		happen(t, bus, 0, "a", issued, moved("items/c", "1", "L"))
		happen(t, bus, 0, "b", "coldsection.workorder.started.v1", &workordersv1.WorkOrderChanged{})
		for range 2 {
			if _, err := s.CatchUp(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		for _, c := range []struct {
			name, document, reject, correction, reason string
			state                                      accessv1.Posting_State
			said                                       int
		}{
			{"postings/a", "", "", "", "POSTING_OUTCOME_MISSING", 0, 0},
			{"postings/a", "4711", "closed period", "", "POSTING_OUTCOME_MISSING", 0, 0},
			{"postings/b", "4711", "", "", "NOT_FOUND", 0, 0}, // no accounting system books that
			{"postings/a", "", "closed period", "", "", accessv1.Posting_REJECTED, 1},
			{"postings/a", "", "closed period", "", "", accessv1.Posting_REJECTED, 1},
			{"postings/a", "4711", "", "", "POSTING_ACKNOWLEDGED", 0, 0},
			{"postings/a", "4711", "", "period opened", "", accessv1.Posting_POSTED, 2},
			{"postings/a", "4711", "", "", "", accessv1.Posting_POSTED, 2},
			{"postings/a", "4712", "", "wrong number", "", accessv1.Posting_POSTED, 3},
		} {
			p, err := s.say(t, &accessv1.AcknowledgePostingRequest{
				Name: c.name, Document: c.document, RejectReason: c.reject, CorrectionReason: c.correction,
			})
			if c.reason != "" {
				if !fault.HasReason(err, c.reason) {
					t.Errorf("%+v: %v", c, err)
				}
				continue
			}
			if err != nil || p.GetState() != c.state || len(p.GetAcknowledgements()) != c.said || p.GetAcknowledgements()[0].GetAccount() != "accounts/erp" {
				t.Errorf("%+v: %v, %v", c, p, err)
			}
		}
		if p, err := s.say(t, &accessv1.AcknowledgePostingRequest{Name: "postings/a", Document: "1", Etag: "v1"}); !fault.HasReason(err, "ETAG_MISMATCH") {
			t.Errorf("on an old version: %v, %v", p, err)
		}
		if got := said(t, s.DB); got != "posting.rejected, posting.acknowledged, posting.acknowledged" {
			t.Errorf("facts: %s", got)
		}
	})
}

func said(t *testing.T, db *storage.DB) string {
	t.Helper()
	var types []string
	if err := db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) (err error) {
		types, err = storage.Collect(ctx, tx, func(row storage.Scanner) (typ string, err error) {
			err = row.Scan(&typ)
			return strings.TrimSuffix(strings.TrimPrefix(typ, "coldsection.access."), ".v1"), err
		}, "SELECT type FROM outbox ORDER BY seq")
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return strings.Join(types, ", ")
}

// The sums are worked out by hand: 0.1 + 0.2 = 0.3 exactly, and 3661 + 59 + 59 s are 3779 s, 62 whole minutes.
func TestTotalsAreExactAndByDayTypeItemAndUnit(t *testing.T) {
	each(t, func(t *testing.T, s *Store, bus *eventbus.Bus) {
		for i, c := range []struct {
			after time.Duration
			typ   string
			data  proto.Message
		}{
			{0, issued, moved("items/c", "0.1", "L")}, {59 * time.Minute, issued, moved("items/c", "0.2", "L")},
			{time.Hour, issued, moved("items/c", "5", "L")}, // the next day
			{0, issued, moved("items/c", "3", "[gal_us]")}, {0, issued, moved("items/d", "7", "L")},
			{0, "coldsection.stock.returned.v1", moved("items/c", "0.05", "L")},
			{0, labour, worked(3661)}, {0, labour, worked(59)}, {0, labour, worked(59)},
			{0, "coldsection.workorder.released.v1", &workordersv1.WorkOrderChanged{WorkOrder: "workOrders/w"}},
		} {
			happen(t, bus, c.after, fmt.Sprintf("f%d", i), c.typ, c.data)
		}
		if _, err := s.CatchUp(t.Context()); err != nil {
			t.Fatal(err)
		}
		if _, err := s.say(t, &accessv1.AcknowledgePostingRequest{Name: "postings/f0", Document: "1"}); err != nil {
			t.Fatal(err)
		}
		if _, err := s.say(t, &accessv1.AcknowledgePostingRequest{Name: "postings/f1", RejectReason: "no"}); err != nil {
			t.Fatal(err)
		}
		days, err := ParseDays(&date.Date{Year: 2026, Month: 3, Day: 1}, nil)
		if err != nil {
			t.Fatal(err)
		}
		var totals, states []string
		if err := s.DB.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			lines, err := Total(ctx, tx, facts.Reader{}, days)
			if err != nil {
				return err
			}
			for _, l := range lines {
				totals = append(totals, fmt.Sprintf("%s %s %d: %s %s %s, %d s, %d min", l.GetEventType(), l.GetItem(), l.GetPostingCount(),
					l.GetQuantity().GetValue(), l.GetQuantity().GetUnitCode(), l.GetRec20UnitCode(), l.GetWorkedSeconds(), l.GetLabourMinutes()))
			}
			counts, err := Reconcile(ctx, tx, facts.Reader{}, days)
			for _, l := range counts {
				states = append(states, fmt.Sprintf("%s %d %d %d", l.GetEventType(), l.GetPostedCount(), l.GetRejectedCount(), l.GetWaitingCount()))
			}
			return err
		}); err != nil {
			t.Fatal(err)
		}
		if want := []string{
			issued + " items/c 2: 0.3 L LTR, 0 s, 0 min", issued + " items/c 1: 3 [gal_us] GLL, 0 s, 0 min", issued + " items/d 1: 7 L LTR, 0 s, 0 min",
			"coldsection.stock.returned.v1 items/c 1: 0.05 L LTR, 0 s, 0 min", labour + "  3:   , 3779 s, 62 min",
			"coldsection.workorder.released.v1  1:   , 0 s, 0 min",
		}; !slices.Equal(totals, want) {
			t.Errorf("totals\n%s\nwant\n%s", strings.Join(totals, "\n"), strings.Join(want, "\n"))
		}
		if want := []string{
			issued + " 1 1 2", "coldsection.stock.returned.v1 0 0 1", labour + " 0 0 3", "coldsection.workorder.released.v1 0 0 1",
		}; !slices.Equal(states, want) {
			t.Errorf("states %v, want %v", states, want)
		}
		next := Days{"2026-03-02", "2026-03-02"} // nothing of the day before is in it
		if err := s.DB.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			lines, err := Total(ctx, tx, facts.Reader{}, next)
			if len(lines) != 1 || lines[0].GetQuantity().GetValue() != "5" || lines[0].GetEventDate().GetDay() != 2 {
				t.Errorf("the next day's totals are %v", lines)
			}
			if err != nil {
				return err
			}
			counts, err := Reconcile(ctx, tx, facts.Reader{}, next)
			if len(counts) != 1 || counts[0].GetWaitingCount() != 1 || counts[0].GetEventDate().GetDay() != 2 {
				t.Errorf("the next day's states are %v", counts)
			}
			return err
		}); err != nil {
			t.Fatal(err)
		}
	})
}

// A correction of time worked books the difference, below zero where it was less, and minutes are rounded down there too; the sum over all lines is what
// was worked.
func TestACorrectionOfTimeBooksTheDifference(t *testing.T) {
	each(t, func(t *testing.T, s *Store, bus *eventbus.Bus) {
		happen(t, bus, 0, "a", labour, worked(3600))
		for i, changed := range []int64{-601, 0, 30} {
			fact := worked(3600 - 601)
			fact.ChangedSeconds = changed
			happen(t, bus, time.Duration(i)*24*time.Hour, fmt.Sprintf("c%d", i), superseded, fact)
		}
		if _, err := s.CatchUp(t.Context()); err != nil {
			t.Fatal(err)
		}
		days, err := ParseDays(&date.Date{Year: 2026, Month: 3, Day: 1}, &date.Date{Year: 2026, Month: 3, Day: 3})
		if err != nil {
			t.Fatal(err)
		}
		var lines []*accessv1.TotalPostingsResponse_Line
		if err := s.DB.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			lines, err = Total(ctx, tx, facts.Reader{}, days)
			return err
		}); err != nil {
			t.Fatal(err)
		}
		var got []string
		sum := int64(0)
		for _, l := range lines {
			got = append(got, fmt.Sprintf("%s %d %d %d", l.GetEventType(), l.GetPostingCount(), l.GetWorkedSeconds(), l.GetLabourMinutes()))
			sum += l.GetWorkedSeconds()
		}
		want := []string{labour + " 1 3600 60", superseded + " 1 -601 -11", superseded + " 1 0 0", superseded + " 1 30 0"}
		if !slices.Equal(got, want) || sum != 3600-601+30 {
			t.Errorf("%v, in all %d; want %v", got, sum, want)
		}
	})
}

func TestRangesOfDays(t *testing.T) {
	day := func(y, m, d int32) *date.Date { return &date.Date{Year: y, Month: m, Day: d} }
	for _, c := range []struct {
		first, last *date.Date
		good        bool
	}{
		{day(2026, 3, 1), nil, true}, {day(2026, 3, 1), day(2026, 3, 31), true}, {day(2026, 3, 1), day(2026, 4, 1), false},
		{day(2026, 3, 2), day(2026, 3, 1), false}, {day(2026, 2, 30), nil, false}, {nil, nil, false},
	} {
		if _, err := ParseDays(c.first, c.last); (err == nil) != c.good || err != nil && !fault.HasReason(err, "DATE_RANGE_INVALID") {
			t.Errorf("%v to %v: %v", c.first, c.last, err)
		}
	}
}
