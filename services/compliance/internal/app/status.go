package app

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/apply"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/storage"
)

// GetComplianceStatus says how an engine, or an aircraft with the engines fitted to it, stood at one time, as far as it was known
// at another; without times, how it stands now. What is overdue, can't be told or was not decided is an exception, and so is a
// subject without any requirement.
func (a *App) GetComplianceStatus(ctx context.Context, req *compliancev1.GetComplianceStatusRequest) (*compliancev1.ComplianceStatus, error) {
	var status *compliancev1.ComplianceStatus
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		t, then, err := u.timesOf(req.GetAsOfTime(), req.GetKnownAtTime())
		if err != nil {
			return err
		}
		status = &compliancev1.ComplianceStatus{Subject: req.GetSubject(), AsOfTime: timestamppb.New(t.at), KnownAtTime: timestamppb.New(t.known)}
		all, rules, err := u.subjects(ctx, status, t, then)
		if err != nil {
			return err
		}
		applied := 0
		for _, s := range all {
			if err := u.stand(ctx, status, s, rules, &applied); err != nil {
				return err
			}
			if err := u.partsStand(ctx, status, s); err != nil {
				return err
			}
		}
		if applied == 0 {
			status.Exceptions = append(status.Exceptions, req.GetSubject()+": no requirement is known to apply, so nothing can be told.")
		}
		status.Compliant = len(status.GetExceptions()) == 0
		return nil
	})
	return status, err
}

// timesOf are the two instants that are asked about, and whether any was given. Reason: TIME_IN_FUTURE.
func (u unit) timesOf(at, known *timestamppb.Timestamp) (t times, then bool, err error) {
	t = times{at: u.now, known: u.now}
	if at != nil {
		t.at = at.AsTime()
	}
	if known != nil {
		t.known = known.AsTime()
	}
	return t, at != nil || known != nil, u.past(t.at, t.known)
}

// subjects are the engine, or the engines of the aircraft, with what was required; the subject's counters go into the status.
func (u unit) subjects(ctx context.Context, status *compliancev1.ComplianceStatus, t times, then bool) (all []seen, rules []*compliancev1.Requirement, err error) {
	if then {
		return u.subjectsThen(ctx, status, t)
	}
	if rules, err = store.Requirements.Where(ctx, u.Tx, "name >= '' ORDER BY name"); err != nil {
		return nil, nil, err
	}
	var engines []*compliancev1.Engine
	if strings.HasPrefix(status.GetSubject(), "aircraft/") {
		plane, err := store.Aircraft.Get(ctx, u.Tx, status.GetSubject())
		if err != nil {
			return nil, nil, err
		}
		status.Counters = plane.GetCounters()
		if engines, err = store.Engines.Where(ctx, u.Tx, "aircraft = $1 ORDER BY name", plane.GetName()); err != nil {
			return nil, nil, err
		}
	} else {
		engine, err := store.Engines.Get(ctx, u.Tx, status.GetSubject())
		if err != nil {
			return nil, nil, err
		}
		status.Counters, engines = engine.GetCounters(), append(engines, engine)
	}
	for _, e := range engines {
		s, err := u.see(ctx, e)
		if err != nil {
			return nil, nil, err
		}
		all = append(all, s)
	}
	return all, rules, nil
}

func (u unit) subjectsThen(ctx context.Context, status *compliancev1.ComplianceStatus, t times) (all []seen, rules []*compliancev1.Requirement, err error) {
	if rules, err = u.required(ctx, t.known); err != nil {
		return nil, nil, err
	}
	names := []string{status.GetSubject()}
	if strings.HasPrefix(status.GetSubject(), "aircraft/") {
		if names, err = u.enginesThen(ctx, status, t); err != nil {
			return nil, nil, err
		}
	}
	for _, name := range names {
		s, err := u.seeThen(ctx, name, t, rules)
		if err != nil {
			return nil, nil, err
		}
		if name == status.GetSubject() {
			status.Counters = s.counters
		}
		all = append(all, s)
	}
	return all, rules, nil
}

// enginesThen are the engines that an aircraft had then; its own counters go into the status.
func (u unit) enginesThen(ctx context.Context, status *compliancev1.ComplianceStatus, t times) ([]string, error) {
	current, err := store.Aircraft.Get(ctx, u.Tx, status.GetSubject())
	if err != nil {
		return nil, err
	}
	plane, s := &compliancev1.Aircraft{}, seen{at: t.at, known: t.known}
	if err := u.asKnown(ctx, plane, current.GetName(), t); err != nil {
		return nil, err
	}
	if err := u.place(&s, plane); err != nil {
		return nil, err
	}
	if status.Counters, err = u.countersAt(ctx, current, s.today, t.known); err != nil {
		return nil, err
	}
	kept, err := store.Fittings.Where(ctx, u.Tx, "host = $1 ORDER BY item", current.GetName())
	if err != nil {
		return nil, err
	}
	var names []string
	for _, f := range kept {
		if thereThen(f, s.today, t.known) && !slices.Contains(names, f.GetItem()) {
			names = append(names, f.GetItem())
		}
	}
	return names, nil
}

// stand adds every requirement of an engine, also those that do not apply, and counts those that do.
func (u unit) stand(ctx context.Context, status *compliancev1.ComplianceStatus, s seen, rules []*compliancev1.Requirement, applied *int) error {
	for _, r := range rules {
		w, err := u.weigh(ctx, s, r)
		if err != nil {
			return err
		}
		status.RequirementStatuses = append(status.RequirementStatuses, statusOf(r, s, w))
		if r.GetApplicability() == nil && w.verdict.decision == nil {
			status.Exceptions = append(status.Exceptions, fmt.Sprintf("%s on %s: its applicability was not decided.", r.GetCode(), s.engine.GetSerial()))
			continue
		}
		if w.verdict.answer != apply.No {
			*applied++
		}
		status.DueItems = append(status.DueItems, w.item)
		if band := w.item.GetBand(); band == compliancev1.DueItem_OVERDUE || band == compliancev1.DueItem_NO_DATA {
			status.Exceptions = append(status.Exceptions, fmt.Sprintf("%s on %s: %s. %s", r.GetCode(), s.engine.GetSerial(), words(band), w.item.GetExplanation()))
		}
	}
	return nil
}

// statusOf is the line of a requirement in the status list.
func statusOf(r *compliancev1.Requirement, s seen, w weighed) *compliancev1.RequirementStatus {
	return &compliancev1.RequirementStatus{
		Requirement: r.GetName(), Code: r.GetCode(), RequirementTitle: r.GetDisplayName(), Kind: r.GetKind(), Document: r.GetDocument(), Revision: r.GetRevision(),
		EffectiveDate: r.GetEffectiveDate(), Subject: s.engine.GetName(), Standing: standingOf(w), Reason: w.item.GetBandReason(), Method: w.last.GetMethod(),
		LastDoneDate: w.last.GetDoneDate(), LastDoneCounters: w.last.GetCounters(), LastAccomplishment: w.last.GetName(), ContentHash: w.last.GetContentHash(),
		Remaining: w.item.GetRemaining(), ApplicabilityDecision: w.verdict.decision,
	}
}

func standingOf(w weighed) compliancev1.RequirementStatus_Standing {
	switch w.verdict.answer {
	case apply.No:
		return compliancev1.RequirementStatus_NOT_APPLICABLE
	case apply.Yes:
		return compliancev1.RequirementStatus_Standing(compliancev1.RequirementStatus_Standing_value[string(w.standing)])
	default:
		return compliancev1.RequirementStatus_UNKNOWN
	}
}

func words(band compliancev1.DueItem_Band) string {
	if band == compliancev1.DueItem_OVERDUE {
		return "overdue"
	}
	return "it can't be told"
}
