package app

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CheckOperation says what speaks against operating an aircraft today. What can't be told speaks against it.
func (a *App) CheckOperation(ctx context.Context, req *compliancev1.CheckOperationRequest) (*compliancev1.CheckOperationResponse, error) {
	resp := &compliancev1.CheckOperationResponse{}
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		plane, err := store.Aircraft.Get(ctx, tx, req.GetName())
		if err != nil {
			return err
		}
		u := a.unit(ctx, tx)
		status := &compliancev1.ComplianceStatus{Subject: plane.GetName()}
		all, rules, err := u.subjects(ctx, status, times{at: u.now, known: u.now}, false)
		if err != nil {
			return err
		}
		u.rules = rules
		if err := u.standAll(ctx, status, all); err != nil {
			return err
		}
		resp.OperationDate = protoDate(all[0].today)
		for _, exception := range status.GetExceptions() {
			resp.Obstacles = append(resp.Obstacles, &compliancev1.OperationObstacle{Reason: "NOT_COMPLIANT", Detail: exception})
		}
		for _, s := range all {
			found, err := u.releasesStop(ctx, s.subject.GetName(), plane.GetRegime(), all[0].today)
			if err != nil {
				return err
			}
			resp.Obstacles = append(resp.Obstacles, found...)
		}
		resp.NoKnownObstacle = len(resp.GetObstacles()) == 0
		return nil
	})
	return resp, err
}

// releasesStop are the releases of work on a thing that keep an aircraft down: those that the owner's record does not have, and
// inspections that did not find it airworthy.
func (u unit) releasesStop(ctx context.Context, subject string, regime compliancev1.Aircraft_Regime, today civil.Date) (out []*compliancev1.OperationObstacle, err error) {
	releases, err := store.ReleaseEntries.Where(ctx, u.Tx, "engine = $1", subject)
	if err != nil {
		return nil, err
	}
	slices.SortFunc(releases, func(a, b *compliancev1.ReleaseEntry) int {
		return cmp.Or(strings.Compare(resource.DateText(a.GetReleaseDate()), resource.DateText(b.GetReleaseDate())), a.GetCreateTime().AsTime().Compare(b.GetCreateTime().AsTime()))
	})
	for i, e := range releases {
		stop := dutyOf(e.GetReleaseDate(), regime).Stops(today)
		if !e.GetEntered() && stop != "" {
			detail := fmt.Sprintf("The release of %s on %s is not in the owner's record (%s). Enter it there and say so here.",
				e.GetNumber(), dateOf(e.GetReleaseDate()), strings.Join(e.GetRules(), "; "))
			out = append(out, &compliancev1.OperationObstacle{Reason: stop, ReleaseEntry: e.GetName(), Detail: detail})
		}
		stands, err := u.notAirworthy(ctx, e, releases[i+1:])
		if err != nil {
			return nil, err
		}
		if stands {
			detail := fmt.Sprintf("The inspection %s of %s did not find it airworthy: %s (list of %s; 14 CFR 43.11(a)(5)). Have that put right and its findings closed, or have it inspected again.",
				e.GetNumber(), dateOf(e.GetReleaseDate()), strings.Join(e.GetDiscrepancies(), "; "), dateOf(e.GetDiscrepancyListDate()))
			out = append(out, &compliancev1.OperationObstacle{Reason: "NOT_AIRWORTHY", ReleaseEntry: e.GetName(), Detail: detail})
		}
	}
	return out, nil
}

// notAirworthy reports whether an inspection that did not find it airworthy still stands: no later one found it airworthy, and not all that it
// listed is closed. Findings that are not known here are taken as open.
func (u unit) notAirworthy(ctx context.Context, e *compliancev1.ReleaseEntry, later []*compliancev1.ReleaseEntry) (bool, error) {
	if e.GetInspectionResult() != compliancev1.ReleaseEntry_NOT_AIRWORTHY {
		return false, nil
	}
	for _, next := range later {
		if next.GetInspectionResult() == compliancev1.ReleaseEntry_AIRWORTHY {
			return false, nil
		}
	}
	findings, err := store.OpenFindings.Where(ctx, u.Tx, "work_order = $1", e.GetWorkOrder())
	closed := 0
	for _, f := range findings {
		if !f.GetClosed() {
			return true, err
		}
		closed++
	}
	return closed < len(e.GetDiscrepancies()), err
}
