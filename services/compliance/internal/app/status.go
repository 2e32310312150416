package app

import (
	"context"
	"fmt"
	"slices"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/apply"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/owners"
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
		u.rules = rules
		return u.standAll(ctx, status, all)
	})
	return status, err
}

// standAll says how every subject of a status stood.
func (u unit) standAll(ctx context.Context, status *compliancev1.ComplianceStatus, all []seen) error {
	applied := 0
	for _, s := range all {
		if err := u.stand(ctx, status, s, &applied); err != nil {
			return err
		}
		if err := u.findingsStand(ctx, status, s); err != nil {
			return err
		}
	}
	if applied == 0 {
		status.Exceptions = append(status.Exceptions, status.GetSubject()+": no requirement is known to apply, so nothing can be told.")
	}
	status.Compliant = len(status.GetExceptions()) == 0
	return nil
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

// subjects are what the status is about: the engine or component, or the aircraft with its engines, each with the components in it. The
// subject's counters go into the status.
func (u unit) subjects(ctx context.Context, status *compliancev1.ComplianceStatus, t times, then bool) (all []seen, rules []*compliancev1.Requirement, err error) {
	look := func(name string) (seen, error) { return u.seeThen(ctx, name, t, rules) }
	if then {
		rules, err = u.required(ctx, t.known)
	} else if u, err = u.withRules(ctx); err == nil {
		rules = u.rules
		look = u.seeNow(ctx)
	}
	if err != nil {
		return nil, nil, err
	}
	first, err := look(status.GetSubject())
	if err != nil {
		return nil, nil, err
	}
	status.Counters = first.counters
	names, err := u.withinThen(ctx, first)
	if err != nil {
		return nil, nil, err
	}
	all = append(all, first)
	for _, name := range names {
		s, err := look(name)
		if fault.HasReason(err, "NOT_FOUND") && len(owners.Limit(ctx)) > 0 {
			status.Exceptions = append(status.Exceptions, status.GetSubject()+": something fitted to it belongs to another owner and is not shown, so nothing can be told of that.")
			continue
		}
		if err != nil {
			return nil, nil, err
		}
		all = append(all, s)
	}
	return all, rules, nil
}

// seeNow looks at subjects as they are now.
func (u unit) seeNow(ctx context.Context) func(name string) (seen, error) {
	return func(name string) (seen, error) {
		t, err := u.read(ctx, name)
		if err != nil {
			return seen{}, err
		}
		return u.see(ctx, t)
	}
}

// withinThen are the engines that an aircraft had then and the components that were in them, or in an engine or component.
func (u unit) withinThen(ctx context.Context, s seen) (names []string, err error) {
	hosts := []string{s.subject.GetName()}
	for i := 0; i < len(hosts); i++ {
		there, err := u.itemsOn(ctx, hosts[i], s)
		if err != nil {
			return nil, err
		}
		for _, item := range there {
			if !slices.Contains(hosts, item) {
				hosts = append(hosts, item)
			}
		}
	}
	return hosts[1:], nil
}

// itemsOn are the things that were fitted to one thing then. Now, that is also an engine that was fitted before fittings were kept.
func (u unit) itemsOn(ctx context.Context, host string, s seen) (items []string, err error) {
	kept, err := store.Fittings.Where(ctx, u.Tx, "host = $1 ORDER BY item", host)
	if err != nil {
		return nil, err
	}
	for _, f := range kept {
		if thereThen(f, s.today, s.known) {
			items = append(items, f.GetItem())
		}
	}
	if s.past || kindOf(host) != compliancev1.Applicability_AIRCRAFT {
		return items, nil
	}
	engines, err := store.Engines.Where(ctx, u.Tx, "aircraft = $1 ORDER BY name", host)
	for _, e := range engines {
		if !slices.Contains(items, e.GetName()) {
			items = append(items, e.GetName())
		}
	}
	return items, err
}

// stand adds every requirement for things of a subject's kind, also those that do not apply, and counts those that do; and its life.
func (u unit) stand(ctx context.Context, status *compliancev1.ComplianceStatus, s seen, applied *int) error {
	for _, r := range s.rules {
		if heldAgainst(r) != kindOf(s.subject.GetName()) && s.records.decisions[r.GetName()] == nil {
			continue
		}
		w, err := u.weigh(ctx, s, r)
		if err != nil {
			return err
		}
		item := w.tell(s)
		line, err := u.statusOf(ctx, r, s, w, item)
		if err != nil {
			return err
		}
		status.RequirementStatuses = append(status.RequirementStatuses, line)
		if r.GetApplicability() == nil && w.verdict.decision == nil {
			status.Exceptions = append(status.Exceptions, fmt.Sprintf("%s on %s: its applicability was not decided.", r.GetCode(), label(s.subject)))
			continue
		}
		if w.verdict.answer != apply.No {
			*applied++
		}
		status.DueItems = append(status.DueItems, item)
		if band := item.GetBand(); band == compliancev1.DueItem_OVERDUE || band == compliancev1.DueItem_NO_DATA {
			status.Exceptions = append(status.Exceptions, fmt.Sprintf("%s on %s: %s. %s", r.GetCode(), label(s.subject), words(band), item.GetExplanation()))
		}
	}
	return u.partStands(ctx, status, s)
}

// statusOf is the line of a requirement in the status list.
func (u unit) statusOf(ctx context.Context, r *compliancev1.Requirement, s seen, w weighed, item *compliancev1.DueItem) (*compliancev1.RequirementStatus, error) {
	last, err := store.WholeOf(ctx, u.Tx, w.last)
	return &compliancev1.RequirementStatus{
		Requirement: r.GetName(), Code: r.GetCode(), RequirementTitle: r.GetDisplayName(), Kind: r.GetKind(), Document: r.GetDocument(), Revision: r.GetRevision(),
		EffectiveDate: r.GetEffectiveDate(), Subject: s.subject.GetName(), Standing: standingOf(w), Reason: item.GetBandReason(), Method: last.GetMethod(),
		LastDoneDate: last.GetDoneDate(), LastDoneCounters: last.GetCounters(), LastAccomplishment: last.GetName(), ContentHash: last.GetContentHash(),
		Remaining: item.GetRemaining(), ApplicabilityDecision: w.verdict.decision,
	}, err
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
