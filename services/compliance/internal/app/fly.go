package app

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CreateUtilization records hours and cycles flown, and the engines fitted follow; or it corrects an entry.
func (a *App) CreateUtilization(ctx context.Context, req *compliancev1.CreateUtilizationRequest) (*compliancev1.Utilization, error) {
	s := signed{req: req}
	s.proof, s.proofErr = a.Keys.VerifyReauth(ctx, req.GetReauthenticationToken(), a.Clock.Now())
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.Utilization, error) {
		if req.GetUtilization().GetCorrects() != "" {
			return a.unit(ctx, tx).correct(ctx, s)
		}
		return a.unit(ctx, tx).fly(ctx, req)
	})
}

// BatchCreateUtilizations records many entries, all or none.
func (a *App) BatchCreateUtilizations(ctx context.Context, req *compliancev1.BatchCreateUtilizationsRequest) (*compliancev1.BatchCreateUtilizationsResponse, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.BatchCreateUtilizationsResponse, error) {
		resp := &compliancev1.BatchCreateUtilizationsResponse{}
		for i, one := range req.GetRequests() {
			if one.GetParent() == "" {
				one.Parent = req.GetParent()
			}
			entry, err := a.unit(ctx, tx).fly(ctx, one)
			if err != nil {
				if f, ok := fault.As(err); ok {
					return nil, f.With("request", fmt.Sprint(i))
				}
				return nil, err
			}
			resp.Utilizations = append(resp.Utilizations, entry)
		}
		return resp, nil
	})
}

func (u unit) fly(ctx context.Context, req *compliancev1.CreateUtilizationRequest) (*compliancev1.Utilization, error) {
	entry := req.GetUtilization()
	resource.ClearOutputOnly(entry)
	if err := u.mayFly(entry); err != nil {
		return nil, err
	}
	plane, err := store.Aircraft.Lock(ctx, u.Tx, req.GetParent())
	if err != nil {
		return nil, err
	}
	if known, err := u.sameSource(ctx, plane.GetName(), entry); known != nil || err != nil {
		return known, err
	}
	day, err := realDate("utilization.flight_date", entry.GetFlightDate())
	if err != nil {
		return nil, err
	}
	if err := u.plausible(plane, entry, day); err != nil {
		return nil, err
	}
	entry.Name = u.app.newName(plane.GetName()+"/utilizations", req.GetUtilizationId())
	if err := store.Utilizations.Insert(ctx, u.Tx, entry, u.now); err != nil {
		return nil, err
	}
	items, err := u.followers(ctx, entry, nil)
	if err != nil {
		return nil, err
	}
	m := moves{}
	if err := u.allocate(ctx, entry, items, items, m); err != nil {
		return nil, err
	}
	if err := u.move(ctx, m); err != nil {
		return nil, err
	}
	return entry, u.flownFact(ctx, plane, enginesAmong(items), entry)
}

// mayFly refuses quality staff who only correct, and corrections among many entries, where none is signed.
func (u unit) mayFly(entry *compliancev1.Utilization) error {
	if entry.GetCorrects() != "" {
		return fault.Invalid("utilization.corrects", "CORRECTION_NOT_ALLOWED", "A correction is signed alone, not among other entries. Send it by itself.")
	}
	if !u.caller.Has("planner") && !u.caller.Has("integrator") {
		return fault.Denied("ROLE_MISSING", "New flying is recorded by planners and integrations; quality corrects it. Name the entry that is corrected.")
	}
	return nil
}

func (u unit) flownFact(ctx context.Context, plane *compliancev1.Aircraft, engines []string, entry *compliancev1.Utilization) error {
	return u.publish(ctx, "coldsection.engine.utilization.recorded.v1", plane.GetName(), &compliancev1.UtilizationRecorded{
		Aircraft: plane.GetName(), Engines: engines, FlightDate: entry.GetFlightDate(), FlownSeconds: entry.GetFlownSeconds(), Cycles: entry.GetCycles(),
		Utilization: entry.GetName(), Corrects: entry.GetCorrects(),
	})
}

// sameSource finds an entry that the other system sent before. The same id with other values is no repeat: it is refused, and
// the first entry stays.
func (u unit) sameSource(ctx context.Context, plane string, entry *compliancev1.Utilization) (*compliancev1.Utilization, error) {
	if entry.GetSourceId() == "" {
		return nil, nil //nolint:nilnil // nothing was sent before
	}
	known, err := store.Utilizations.Where(ctx, u.Tx, "source_id = $1 AND name >= $2 AND name < $3 ORDER BY create_time", entry.GetSourceId(), plane+"/", plane+"0")
	if err != nil || len(known) == 0 {
		return nil, err
	}
	if first := known[0]; dateOf(first.GetFlightDate()) != dateOf(entry.GetFlightDate()) || !proto.Equal(countersIn(first), countersIn(entry)) {
		return nil, fault.New(fault.AlreadyExists, "ALREADY_EXISTS", "%s was sent before with other values as %s, which stays. Quality corrects it there.", entry.GetSourceId(), first.GetName())
	}
	return known[0], nil
}

const daySeconds = 86400

func (u unit) plausible(plane *compliancev1.Aircraft, entry *compliancev1.Utilization, day civil.Date) error {
	switch {
	case entry.GetFlownSeconds() > daySeconds:
		return fault.Invalid("utilization.flown_seconds", "COUNTER_JUMP", "%s can't have flown %d s on one day. Give each day its own entry.", plane.GetName(), entry.GetFlownSeconds())
	case entry.GetCycles() > 0 && entry.GetFlownSeconds() == 0:
		return fault.Invalid("utilization.cycles", "CYCLES_WITHOUT_HOURS", "%s has %d cycles and no hours on %s. Correct the entry.", plane.GetName(), entry.GetCycles(), day)
	case plane.GetEntryDate() != nil && !dateOf(plane.GetEntryDate()).Before(day):
		return fault.Invalid("utilization.flight_date", "FLYING_COUNTED_ALREADY", "The counters of %s were entered as at the end of %s, so flying of %s is in them. Correct the date, or leave it.",
			plane.GetName(), dateOf(plane.GetEntryDate()), day)
	case day.Before(dateOf(plane.GetCountersDate())) && plane.GetCountersDate() != nil && day.Before(civil.Of(u.now).AddDays(-365)):
		return fault.Invalid("utilization.flight_date", "DATE_BEFORE_LAST", "%s is more than a year back. Correct the date.", day)
	}
	return u.notFuture("utilization.flight_date", day)
}
