package postings

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	commonv1 "coldsection.example/proto/coldsection/common/v1"
	"coldsection.example/services/platform/facts"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// longest is how many days after the first one a report may end.
const longest = 30

// Days are the first and the last day of a report, as YYYY-MM-DD.
type Days struct{ First, Last string }

// ParseDays reads a range of civil days; without an end it is one day. Reason: DATE_RANGE_INVALID.
func ParseDays(first, last *date.Date) (Days, error) {
	if last == nil {
		last = first
	}
	days := Days{resource.DateText(first), resource.DateText(last)}
	from, err := time.Parse(time.DateOnly, days.First)
	to, lastErr := time.Parse(time.DateOnly, days.Last)
	if err != nil || lastErr != nil || to.Before(from) || to.Sub(from) > longest*24*time.Hour {
		return days, fault.Invalid("end_date", "DATE_RANGE_INVALID",
			"From %q to %q are no days, or more than %d of them. Give a first day, and a last one at most %d days later.",
			days.First, days.Last, longest+1, longest)
	}
	return days, nil
}

// dateOf reads a day as the table keeps it.
func dateOf(text string) *date.Date {
	at, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return nil
	}
	return &date.Date{Year: int32(at.Year()), Month: int32(at.Month()), Day: int32(at.Day())}
}

// Reconcile counts the postings that the reader may see by day, type and state.
func Reconcile(ctx context.Context, tx *storage.Tx, reader facts.Reader, days Days) ([]*accessv1.ReconcilePostingsResponse_Line, error) {
	var lines []*accessv1.ReconcilePostingsResponse_Line
	last := ""
	_, err := storage.Collect(ctx, tx, func(row storage.Scanner) (none struct{}, err error) {
		var day, typ, state string
		var n int64
		if err := row.Scan(&day, &typ, &state, &n); err != nil {
			return none, err
		}
		if !reader.May(typ) {
			return none, nil
		}
		if key := day + typ; key != last {
			last, lines = key, append(lines, &accessv1.ReconcilePostingsResponse_Line{EventDate: dateOf(day), EventType: typ})
		}
		line := lines[len(lines)-1]
		switch state {
		case accessv1.Posting_POSTED.String():
			line.PostedCount = n
		case accessv1.Posting_REJECTED.String():
			line.RejectedCount = n
		default:
			line.WaitingCount = n
		}
		return none, nil
	}, `SELECT event_date, event_type, state, count(*) FROM postings WHERE event_date >= $1 AND event_date <= $2
		GROUP BY event_date, event_type, state ORDER BY event_date, event_type, state`, days.First, days.Last)
	return lines, err
}

// sums are what belongs together in one line.
type sums struct {
	day, typ, item, unit string
}

// Total sums quantities of the postings that the reader may see exactly, by day, type, item and unit, and worked time.
func Total(ctx context.Context, tx *storage.Tx, reader facts.Reader, days Days) ([]*accessv1.TotalPostingsResponse_Line, error) {
	all, err := Table.Where(ctx, tx, "event_date >= $1 AND event_date <= $2", days.First, days.Last)
	if err != nil {
		return nil, err
	}
	lines := map[sums]*accessv1.TotalPostingsResponse_Line{}
	for _, p := range all {
		if !reader.May(p.GetEventType()) {
			continue
		}
		key := sums{resource.DateText(p.GetEventDate()), p.GetEventType(), p.GetItem(), p.GetQuantity().GetUnitCode()}
		line := lines[key]
		if line == nil {
			line = &accessv1.TotalPostingsResponse_Line{EventDate: p.GetEventDate(), EventType: p.GetEventType(), Item: p.GetItem()}
			lines[key] = line
		}
		if err := add(line, p); err != nil {
			return nil, err
		}
	}
	keys := slices.SortedFunc(maps.Keys(lines), func(a, b sums) int {
		return cmp.Or(cmp.Compare(a.day, b.day), cmp.Compare(a.typ, b.typ), cmp.Compare(a.item, b.item), cmp.Compare(a.unit, b.unit))
	})
	out := make([]*accessv1.TotalPostingsResponse_Line, len(keys))
	for i, key := range keys {
		out[i] = lines[key]
		out[i].LabourMinutes = minutesOf(out[i].GetWorkedSeconds())
	}
	return out, nil
}

// minutesOf are whole minutes, rounded down: what was worked less, too.
func minutesOf(seconds int64) int64 {
	if seconds < 0 {
		return -((59 - seconds) / 60)
	}
	return seconds / 60
}

// add counts a posting into its line.
func add(line *accessv1.TotalPostingsResponse_Line, p *accessv1.Posting) error {
	line.PostingCount++
	line.WorkedSeconds += p.GetWorkedSeconds()
	if p.GetQuantity() == nil {
		return nil
	}
	more, err := quantity.Parse(p.GetQuantity().GetValue(), p.GetQuantity().GetUnitCode())
	if err != nil {
		return fmt.Errorf("%s: %w", p.GetName(), err)
	}
	if line.GetQuantity() != nil {
		so, err := quantity.Parse(line.GetQuantity().GetValue(), line.GetQuantity().GetUnitCode())
		if err != nil {
			return err
		}
		if more, err = so.Add(more); err != nil {
			return err
		}
	}
	line.Quantity = &commonv1.Quantity{Value: more.Value().String(), UnitCode: more.Unit().Code}
	line.Rec20UnitCode = more.Unit().Rec20
	return nil
}
