package app

import (
	"context"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/workorders/internal/metering"
)

// plausible refuses counters that can't be those of the thing on a day, by what compliance has of it. Reason: COUNTERS_IMPLAUSIBLE.
func plausible(field, thing string, read metering.Counters, record *compliancev1.Counters, valid, day *date.Date) error {
	known := knownOf(record)
	known.Undated, known.Days = valid == nil, daysFrom(valid, day)
	return implausible(field, thing, metering.Check(read, known))
}

// knownOf are the counters of compliance's record; without any, nobody entered them.
func knownOf(record *compliancev1.Counters) metering.Known {
	return metering.Known{
		Counters:   metering.Counters{Seconds: record.GetOperatingSeconds(), Cycles: record.GetCycles(), Starts: record.GetStarts()},
		Unrecorded: record == nil,
	}
}

func implausible(field, thing, why string) error {
	if why == "" {
		return nil
	}
	return fault.Invalid(field, "COUNTERS_IMPLAUSIBLE",
		"The counters of %s can't be right: %s. Read them again; if they are, have its flying entered or corrected in compliance first.", thing, why)
}

// daysFrom is how many days lie from one civil day to another, 0 without the first.
func daysFrom(from, to *date.Date) int64 {
	if from == nil {
		return 0
	}
	at := func(d *date.Date) time.Time {
		return time.Date(int(d.GetYear()), time.Month(d.GetMonth()), int(d.GetDay()), 0, 0, 0, 0, time.UTC)
	}
	return int64(at(to).Sub(at(from)) / (24 * time.Hour))
}

func meteringOf(c *workordersv1.Counters) metering.Counters {
	return metering.Counters{Seconds: c.GetOperatingSeconds(), Cycles: c.GetCycles(), Starts: c.GetStarts()}
}

// countersOr are the counters that were read, completed by what compliance has: a counter that nobody read is not 0.
func countersOr(read *workordersv1.Counters, engine *compliancev1.Engine) *workordersv1.Counters {
	all := countersOf(engine)
	if v := read.GetOperatingSeconds(); v > 0 {
		all.OperatingSeconds = v
	}
	if v := read.GetCycles(); v > 0 {
		all.Cycles = v
	}
	if v := read.GetStarts(); v > 0 {
		all.Starts = v
	}
	all.AircraftSeconds = read.GetAircraftSeconds()
	return all
}

// planeOf is the aircraft of an order whose total time was read; nil when it was not, or there is none.
func (a *App) planeOf(ctx context.Context, o *workordersv1.WorkOrder, read *workordersv1.Counters) (*compliancev1.Aircraft, error) {
	if o.GetAircraft() == "" || read.GetAircraftSeconds() == 0 {
		return nil, nil //nolint:nilnil // nothing to ask
	}
	plane, err := compliancev1.NewComplianceQueryServiceClient(a.Compliance).GetAircraft(asService(ctx), &compliancev1.GetAircraftRequest{Name: o.GetAircraft()})
	if err != nil {
		return nil, unreachable(err)
	}
	return plane, nil
}

// countersAtEnd are the counters at the end of an order's work, on a day, held against those at its beginning and against the record.
// Reason: COUNTERS_IMPLAUSIBLE.
func (f asked) countersAtEnd(o *workordersv1.WorkOrder, read *workordersv1.Counters, day *date.Date) (*workordersv1.Counters, error) {
	end := countersOr(read, f.engine)
	if err := plausible("end_counters", o.GetEngine(), meteringOf(end), f.engine.GetCounters(), f.engine.GetCountersDate(), day); err != nil {
		return nil, err
	}
	if err := implausible("end_counters", o.GetEngine(), metering.Falls(meteringOf(o.GetStartCounters()), meteringOf(end))); err != nil {
		return nil, err
	}
	if f.plane == nil || f.plane.GetCounters() == nil {
		return end, nil
	}
	// Only its total time was read, so only that is held against the record.
	total, record := metering.Counters{Seconds: end.GetAircraftSeconds()}, &compliancev1.Counters{OperatingSeconds: f.plane.GetCounters().GetOperatingSeconds()}
	return end, plausible("end_counters.aircraft_seconds", f.plane.GetName(), total, record, f.plane.GetCountersDate(), day)
}
