package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
)

var kinds = map[string]performancev1.EngineEvent_Kind{
	"recovery_wash": performancev1.EngineEvent_RECOVERY_WASH, "salt_rinse": performancev1.EngineEvent_SALT_RINSE, "hot_section": performancev1.EngineEvent_HOT_SECTION,
	"sensor_work": performancev1.EngineEvent_SENSOR_WORK, "overhaul": performancev1.EngineEvent_OVERHAUL,
}

func stamp(t time.Time) *timestamppb.Timestamp { return timestamppb.New(t) }

// assess imports the fleet as time passes and reads back what the suite says.
func assess(ctx context.Context, f folder, days int) (out report, err error) {
	if len(f.rows) == 0 || days < 1 {
		return out, errors.New("there are no readings, or no days to an import")
	}
	begin := f.rows[0].at
	o, err := open(ctx, begin)
	if err != nil {
		return out, err
	}
	defer func() { err = errors.Join(err, o.close()) }()
	if err := o.equip(ctx, &f, begin); err != nil {
		return out, err
	}
	out = report{ReadingsTotal: len(f.rows), Engines: []engineReport{}, Held: []held{}}
	for start := 0; start < len(f.rows); {
		end := start + 1
		limit := f.rows[start].at.AddDate(0, 0, days)
		for end < len(f.rows) && f.rows[end].at.Before(limit) {
			end++
		}
		if err := o.pass(ctx, &f, f.rows[start:end], &out); err != nil {
			return out, err
		}
		start = end
	}
	if err := o.mark(ctx, &f, time.Time{}); err != nil {
		return out, err
	}
	err = o.read(ctx, f.serials(), &out)
	return out, err
}

// pass lets time run to the newest of some readings and takes in what happened until then.
func (o *operator) pass(ctx context.Context, f *folder, rows []row, out *report) error {
	now := rows[0].at
	lines := []string{f.header}
	for _, r := range rows {
		lines = append(lines, r.text)
		if r.at.After(now) {
			now = r.at
		}
	}
	if err := o.setClock(now.Add(time.Minute)); err != nil {
		return err
	}
	if err := o.mark(ctx, f, now); err != nil {
		return err
	}
	got, err := performancev1.NewPerformanceServiceClient(o.conn).ImportReadings(o.as(ctx), &performancev1.ImportReadingsRequest{
		Csv: strings.Join(lines, "\n") + "\n", Source: "fleet",
	})
	if err != nil {
		return err
	}
	for _, p := range got.GetProblems() {
		if p.GetRefused() { // what was taken and held is read at the end, as it stands then
			r := rows[p.GetLine()-2]
			out.Held = append(out.Held, held{r.serial, r.time, p.GetReason(), p.GetText()})
		}
	}
	return nil
}

// mark enters the events up to a time; the zero time lets the clock pass the last one and enters all that are left.
func (o *operator) mark(ctx context.Context, f *folder, until time.Time) error {
	for len(f.events) > 0 {
		e := f.events[0]
		if until.IsZero() {
			if err := o.setClock(e.at.Add(time.Minute)); err != nil {
				return err
			}
		} else if e.at.After(until) {
			return nil
		}
		kind := kinds[e.kind]
		if kind == performancev1.EngineEvent_KIND_UNSPECIFIED {
			kind = performancev1.EngineEvent_OTHER
		}
		_, err := performancev1.NewPerformanceServiceClient(o.conn).CreateEngineEvent(o.as(ctx), &performancev1.CreateEngineEventRequest{
			Parent: engineName(e.serial), EngineEvent: &performancev1.EngineEvent{Kind: kind, EventTime: stamp(e.at), OperatingHours: e.hours},
		})
		if err != nil {
			return fmt.Errorf("event of %s: %w", e.serial, err)
		}
		f.events = f.events[1:]
	}
	return nil
}

func (o *operator) read(ctx context.Context, serials []string, out *report) error {
	for _, serial := range serials {
		e, err := o.readEngine(ctx, serial)
		if err != nil {
			return err
		}
		out.Engines = append(out.Engines, e)
		if err := o.readHeld(ctx, serial, out); err != nil {
			return err
		}
	}
	slices.SortFunc(out.Held, func(a, b held) int { return strings.Compare(a.Serial+a.Time, b.Serial+b.Time) })
	return nil
}

func (o *operator) readEngine(ctx context.Context, serial string) (engineReport, error) {
	e := engineReport{Serial: serial, Advices: []advice{}, Shifts: []shift{}, Recoveries: []recovery{}}
	query := performancev1.NewPerformanceQueryServiceClient(o.conn)
	advices, err := query.ListWashAdvices(o.as(ctx), &performancev1.ListWashAdvicesRequest{Parent: engineName(serial), PageSize: 1000, OrderBy: "advise_time"})
	if err != nil {
		return e, err
	}
	for _, a := range advices.GetWashAdvices() {
		e.Advices = append(e.Advices, advice{text(a.GetAdviseTime()), a.GetKind(), a.GetCause()})
	}
	recoveries, err := query.ListRecoveries(o.as(ctx), &performancev1.ListRecoveriesRequest{Parent: engineName(serial), PageSize: 1000, OrderBy: "wash_time"})
	if err != nil {
		return e, err
	}
	for _, r := range recoveries.GetRecoveries() {
		e.Recoveries = append(e.Recoveries, recovery{
			text(r.GetWashTime()), intervalOf(r.GetIttStepC()), intervalOf(r.GetNgStepPct()), intervalOf(r.GetFuelFlowStepPct()), verdicts[r.GetVerdict()], r.GetExplanation(),
		})
	}
	err = o.readShifts(ctx, &e)
	return e, err
}

// readShifts reads what the newest assessment says of changes that dirt does not explain.
func (o *operator) readShifts(ctx context.Context, e *engineReport) error {
	now, err := performancev1.NewPerformanceQueryServiceClient(o.conn).GetAssessment(o.as(ctx), &performancev1.GetAssessmentRequest{Name: engineName(e.Serial) + "/assessment"})
	if err != nil {
		return err
	}
	for _, s := range now.GetShifts() {
		x := shift{Time: text(s.GetDetectTime()), Onset: text(s.GetOnsetTime())}
		for _, step := range s.GetSteps() {
			at := causeStep{Time: text(step.GetStepTime()), Evidence: step.GetEvidence(), Verdict: step.GetVerdict()}
			for _, c := range step.GetCauses() {
				at.Candidates = append(at.Candidates, candidate{c.GetCause(), c.GetProbability()})
			}
			x.Steps = append(x.Steps, at)
		}
		x.asDetected()
		e.Shifts = append(e.Shifts, x)
	}
	return nil
}

func text(t *timestamppb.Timestamp) string { return t.AsTime().Format(time.RFC3339) }

func (o *operator) readHeld(ctx context.Context, serial string, out *report) error {
	query := performancev1.NewPerformanceQueryServiceClient(o.conn)
	for _, state := range []string{"HELD", "OUTLIER"} {
		request := &performancev1.ListReadingsRequest{Parent: engineName(serial), PageSize: 1000, Filter: "state = " + state}
		for {
			page, err := query.ListReadings(o.as(ctx), request)
			if err != nil {
				return err
			}
			for _, r := range page.GetReadings() {
				out.Held = append(out.Held, held{serial, r.GetReadTime().AsTime().Format(minutes), r.GetStateReason(), r.GetStateText()})
			}
			if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
				break
			}
		}
	}
	return nil
}
