package app

import (
	"context"
	"fmt"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/apply"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// GetComplianceStatus says how an engine, or an aircraft with the engines fitted to it, stands now. Another time is refused.
// What is overdue, can't be told or was not decided is an exception, and so is a subject without any requirement.
func (a *App) GetComplianceStatus(ctx context.Context, req *compliancev1.GetComplianceStatusRequest) (*compliancev1.ComplianceStatus, error) {
	if req.GetAsOfTime() != nil {
		return nil, fault.New(fault.Unimplemented, "AS_OF_NOT_BUILT", "How a thing stood at another time than now is not built yet. Leave as_of_time out.")
	}
	if req.GetKnownAtTime() != nil {
		return nil, fault.New(fault.Unimplemented, "KNOWN_AT_NOT_BUILT", "What was known at another time than now is not built yet. Leave known_at_time out.")
	}
	var status *compliancev1.ComplianceStatus
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		now := timestamppb.New(u.now)
		status = &compliancev1.ComplianceStatus{Subject: req.GetSubject(), AsOfTime: now, KnownAtTime: now}
		engines, err := u.enginesOf(ctx, status)
		if err != nil {
			return err
		}
		applied := 0
		for _, e := range engines {
			if err := u.stand(ctx, status, e, &applied); err != nil {
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

// enginesOf is the engine, or the engines of the aircraft, and puts the subject's counters into the status.
func (u unit) enginesOf(ctx context.Context, status *compliancev1.ComplianceStatus) ([]*compliancev1.Engine, error) {
	if !strings.HasPrefix(status.GetSubject(), "aircraft/") {
		engine, err := store.Engines.Get(ctx, u.Tx, status.GetSubject())
		status.Counters = engine.GetCounters()
		return []*compliancev1.Engine{engine}, err
	}
	plane, err := store.Aircraft.Get(ctx, u.Tx, status.GetSubject())
	if err != nil {
		return nil, err
	}
	status.Counters = plane.GetCounters()
	return store.Engines.Where(ctx, u.Tx, "aircraft = $1 ORDER BY name", plane.GetName())
}

// stand adds every requirement of an engine, also those that do not apply, and counts those that do.
func (u unit) stand(ctx context.Context, status *compliancev1.ComplianceStatus, engine *compliancev1.Engine, applied *int) error {
	all, err := store.Requirements.Where(ctx, u.Tx, "name >= '' ORDER BY name")
	if err != nil {
		return err
	}
	s, err := u.see(ctx, engine)
	if err != nil {
		return err
	}
	for _, r := range all {
		if r.GetApplicability() == nil {
			status.Exceptions = append(status.Exceptions, fmt.Sprintf("%s on %s: its applicability was not decided.", r.GetCode(), engine.GetSerial()))
			continue
		}
		item, err := u.work(ctx, s, r)
		if err != nil {
			return err
		}
		if answer, _ := applicable(r, engine); answer != apply.No {
			*applied++
		}
		status.DueItems = append(status.DueItems, item)
		if band := item.GetBand(); band == compliancev1.DueItem_OVERDUE || band == compliancev1.DueItem_NO_DATA {
			status.Exceptions = append(status.Exceptions, fmt.Sprintf("%s on %s: %s. %s", r.GetCode(), engine.GetSerial(), words(band), item.GetExplanation()))
		}
	}
	return nil
}

func words(band compliancev1.DueItem_Band) string {
	if band == compliancev1.DueItem_OVERDUE {
		return "overdue"
	}
	return "it can't be told"
}
