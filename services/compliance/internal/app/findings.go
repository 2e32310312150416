package app

import (
	"context"
	"fmt"
	"strings"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// Found keeps what a fact says of a finding. A finding that carries an earlier one on ends that one here: the day that it was first found
// and its last day go with it (AMC M.A.403(d)).
func (a *App) Found(ctx context.Context, tx *storage.Tx, fact *workordersv1.FindingChanged) error {
	u := a.unit(ctx, tx)
	fresh := findingOf(fact)
	old, err := store.OpenFindings.Lock(ctx, tx, fresh.GetName())
	if err == nil {
		// A deferral stands until the finding is closed; a fact that comes late never opens a closed finding again.
		if fresh.Successor = old.GetSuccessor(); old.GetClosed() {
			return nil
		}
		fresh.CreateTime, fresh.Etag = old.GetCreateTime(), old.GetEtag()
		return u.saveFinding(ctx, fresh)
	}
	if !fault.HasReason(err, "NOT_FOUND") {
		return err
	}
	if err := store.OpenFindings.Insert(ctx, tx, fresh, u.now); err != nil {
		return err
	}
	if err := store.AddVersion(ctx, tx, fresh, u.now); err != nil {
		return err
	}
	return u.carriedOn(ctx, fact.GetFinding())
}

func (u unit) saveFinding(ctx context.Context, f *compliancev1.OpenFinding) error {
	if err := store.OpenFindings.Save(ctx, u.Tx, f, u.now); err != nil {
		return err
	}
	return store.AddVersion(ctx, u.Tx, f, u.now)
}

// carriedOn ends the finding that another one carries on.
func (u unit) carriedOn(ctx context.Context, by *workordersv1.Finding) error {
	if by.GetPredecessor() == "" {
		return nil
	}
	earlier, err := store.OpenFindings.Lock(ctx, u.Tx, findingName(by.GetPredecessor()))
	if fault.HasReason(err, "NOT_FOUND") {
		return nil // from before findings were kept here
	}
	if err != nil || earlier.GetClosed() {
		return err
	}
	earlier.Successor, earlier.Closed, earlier.CloseTime = by.GetName(), true, by.GetRaiseTime()
	return u.saveFinding(ctx, earlier)
}

// findingName is the name here of a finding of a work order; ids have no dot, so that no two are alike.
func findingName(finding string) string {
	return "openFindings/" + strings.ReplaceAll(strings.TrimPrefix(finding, "workOrders/"), "/findings/", ".")
}

func findingOf(fact *workordersv1.FindingChanged) *compliancev1.OpenFinding {
	f := fact.GetFinding()
	return &compliancev1.OpenFinding{
		Name: findingName(f.GetName()), Finding: f.GetName(), WorkOrder: fact.GetWorkOrder(), Engine: fact.GetEngine(), Aircraft: fact.GetAircraft(),
		Description: f.GetDescription(), FlightSafety: f.GetFlightSafety(), OriginalDate: f.GetOriginalDate(), Deferred: f.GetDisposition() == workordersv1.Finding_DEFER,
		LimitDate: f.GetLimitDate(), Basis: f.GetBasis(), DeferralCategory: f.GetDeferralCategory(), Placard: f.GetPlacard(), TimeZone: fact.GetTimeZone(),
		Closed: f.GetState() == workordersv1.Finding_CLOSED, CloseTime: f.GetCloseTime(), RaiseTime: f.GetRaiseTime(),
	}
}

// judge puts into a finding how near its last day is at an instant, by the zone that its days are counted in.
func (u unit) judge(f *compliancev1.OpenFinding, at time.Time) error {
	zone, err := u.zone(f.GetTimeZone())
	if err != nil {
		return err
	}
	last, today := dateOf(f.GetLimitDate()), civil.Of(at.In(zone))
	switch {
	case f.GetClosed() && f.GetSuccessor() != "":
		f.Band, f.Explanation = compliancev1.DueItem_EXEMPT, "Carried on by "+f.GetSuccessor()+"."
	case f.GetClosed():
		f.Band, f.Explanation = compliancev1.DueItem_EXEMPT, "Closed."
	case !f.GetDeferred() || last.IsZero():
		f.Band, f.Explanation = compliancev1.DueItem_NO_DATA, "Found "+dateOf(f.GetOriginalDate()).String()+" and not put off, so it has no last day; it is answered in its work order."
	default:
		tree := due.Tree{Limits: []due.Limit{{Unit: due.FixedDate, Fixed: last}}}
		result := tree.Compute(due.Base{}, due.Now{Today: today}, due.DefaultThreshold)
		f.Band = compliancev1.DueItem_Band(compliancev1.DueItem_Band_value[string(result.Band)])
		f.Explanation = fmt.Sprintf("Found %s, put off through %s, %d days from %s.", dateOf(f.GetOriginalDate()), last, result.Left[0].Left, today)
	}
	return nil
}

// ListOpenFindings lists findings, each as of today.
func (a *App) ListOpenFindings(ctx context.Context, req *compliancev1.ListOpenFindingsRequest) (*compliancev1.ListOpenFindingsResponse, error) {
	return a.listFindings(ctx, req, "")
}

// listFindings lists the findings that meet a condition on their columns; an empty one is met by all.
func (a *App) listFindings(ctx context.Context, req *compliancev1.ListOpenFindingsRequest, scope string) (*compliancev1.ListOpenFindingsResponse, error) {
	items, next, err := store.OpenFindings.ListWhere(ctx, a.DB, a.Lister, req, scope)
	if err != nil {
		return nil, err
	}
	u := unit{app: a, now: a.Clock.Now()}
	for _, f := range items {
		if err := u.judge(f, u.now); err != nil {
			return nil, err
		}
	}
	return &compliancev1.ListOpenFindingsResponse{OpenFindings: items, NextPageToken: next}, nil
}

// findingsStand adds the findings that were open on an engine to the status. One past its last day is an exception, and so is one that
// endangers flight or that nobody put off.
func (u unit) findingsStand(ctx context.Context, status *compliancev1.ComplianceStatus, s seen) error {
	engine, ok := s.subject.(*compliancev1.Engine)
	if !ok {
		return nil
	}
	all, err := store.OpenFindings.Where(ctx, u.Tx, "engine = $1 ORDER BY limit_date, name", engine.GetName())
	if err != nil {
		return err
	}
	for _, f := range all {
		if f, err = u.findingThen(ctx, f, s); err != nil {
			return err
		}
		if f == nil || f.GetClosed() {
			continue
		}
		if err := u.judge(f, s.at); err != nil {
			return err
		}
		if mine, err := u.mine(ctx, f.GetAircraft()); err != nil {
			return err
		} else if !mine {
			f.Aircraft = ""
		}
		status.OpenFindings = append(status.OpenFindings, f)
		if f.GetBand() == compliancev1.DueItem_OVERDUE || f.GetBand() == compliancev1.DueItem_NO_DATA || f.GetFlightSafety() {
			status.Exceptions = append(status.Exceptions, fmt.Sprintf("%s on %s: %s %s", f.GetFinding(), label(engine), f.GetDescription(), f.GetExplanation()))
		}
	}
	return nil
}

// findingThen is a finding as it was then, as far as it was known; nil when it was not raised or not known yet.
func (u unit) findingThen(ctx context.Context, now *compliancev1.OpenFinding, s seen) (*compliancev1.OpenFinding, error) {
	if !s.past {
		return now, nil
	}
	if s.at.Before(now.GetRaiseTime().AsTime()) || s.known.Before(now.GetCreateTime().AsTime()) {
		return nil, nil //nolint:nilnil // not there
	}
	f := &compliancev1.OpenFinding{}
	if err := u.asKnown(ctx, f, now.GetName(), times{at: s.at, known: s.known}); err != nil {
		return nil, err
	}
	return f, nil
}
