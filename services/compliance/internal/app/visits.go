package app

import (
	"context"
	"fmt"
	"slices"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/visit"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// ProposeVisit proposes what to do at one visit and when, by the early end of each item's range, and says what is there for it. Reasons:
// DATE_INVALID, DATES_REVERSED, UNIT_MISMATCH.
func (a *App) ProposeVisit(ctx context.Context, req *compliancev1.ProposeVisitRequest) (*compliancev1.ProposeVisitResponse, error) {
	window, err := windowOf(req)
	if err != nil {
		return nil, err
	}
	subjects, err := a.visited(ctx, req.GetSubject())
	if err != nil {
		return nil, err
	}
	var list []*compliancev1.DueForecast
	for some := range slices.Chunk(subjects, subjectsAtOnce) {
		more, err := a.forecastAll(ctx, &compliancev1.ForecastDueItemsRequest{Filter: ofAny(some), PageSize: 1000, Scenario: req.GetScenario()})
		if err != nil {
			return nil, err
		}
		list = append(list, more...)
	}
	resp, byName := &compliancev1.ProposeVisitResponse{}, map[string]*compliancev1.DueForecast{}
	var items []visit.Item
	for _, f := range list {
		byName[f.GetDueItem()] = f
		early := dateOf(f.GetP10Date())
		switch {
		case f.GetBand() == compliancev1.DueItem_EXEMPT:
		case f.GetBand() == compliancev1.DueItem_OVERDUE || f.GetBand() == compliancev1.DueItem_IN_TOLERANCE:
			resp.EarlierItems = append(resp.EarlierItems, visitItem(f, civil.Date{}))
		case early.IsZero():
			resp.UndecidedItems = append(resp.UndecidedItems, visitItem(f, civil.Date{}))
		default:
			items = append(items, visit.Item{Name: f.GetDueItem(), Due: early})
		}
	}
	p := visit.Propose(items, window)
	for _, i := range p.Earlier {
		resp.EarlierItems = append(resp.EarlierItems, visitItem(byName[i.Name], civil.Date{}))
	}
	for _, i := range p.Items {
		resp.VisitItems = append(resp.VisitItems, visitItem(byName[i.Name], p.Day))
	}
	resp.VisitDate, resp.DaysGivenUp, resp.Explanation = protoDate(p.Day), int64(p.GivenUp), p.Why
	if len(resp.GetVisitItems()) == 0 {
		return resp, nil
	}
	return resp, a.readyFor(ctx, resp.GetVisitItems(), p.Day, req.GetMaterialNeeds())
}

// forecastAll reads every page.
func (a *App) forecastAll(ctx context.Context, req *compliancev1.ForecastDueItemsRequest) (all []*compliancev1.DueForecast, err error) {
	for {
		page, err := a.ForecastDueItems(ctx, req)
		if err != nil {
			return nil, err
		}
		all = append(all, page.GetDueForecasts()...)
		if page.GetNextPageToken() == "" {
			return all, nil
		}
		req.PageToken = page.GetNextPageToken()
	}
}

func windowOf(req *compliancev1.ProposeVisitRequest) (w visit.Window, err error) {
	if w.Earliest, err = realDate("earliest_date", req.GetEarliestDate()); err != nil {
		return w, err
	}
	if w.Latest, err = realDate("latest_date", req.GetLatestDate()); err != nil {
		return w, err
	}
	if w.Next, err = realDate("next_visit_date", req.GetNextVisitDate()); err != nil {
		return w, err
	}
	if w.Latest.Before(w.Earliest) || !w.Latest.Before(w.Next) {
		return w, fault.Invalid("latest_date", "DATES_REVERSED", "The visit is between %s and %s, and the next on %s. Give days in that order.", w.Earliest, w.Latest, w.Next)
	}
	return w, nil
}

// subjectsAtOnce is how many subjects one filter names.
const subjectsAtOnce = 16

// visited is what comes to a visit: an engine, or an aircraft with its engines, each with the components in it. Reason: NOT_FOUND.
func (a *App) visited(ctx context.Context, subject string) (all []string, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		s, err := u.glance(ctx, subject)
		if err != nil {
			return err
		}
		within, err := u.withinThen(ctx, s)
		all = append([]string{subject}, within...)
		return err
	})
	return all, err
}

// ofAny is the filter of the due items of subjects.
func ofAny(subjects []string) string {
	parts := make([]string, len(subjects))
	for i, name := range subjects {
		parts[i] = fmt.Sprintf("subject = %q", name)
	}
	return strings.Join(parts, " OR ")
}

// visitItem is an item of a visit on a day; without a day nothing is given up.
func visitItem(f *compliancev1.DueForecast, on civil.Date) *compliancev1.VisitItem {
	item := &compliancev1.VisitItem{
		DueItem: f.GetDueItem(), RequirementCode: f.GetRequirementCode(), Subject: f.GetSubject(), DueDate: f.GetP10Date(), DrivingUnit: f.GetDrivingUnit(),
		Reason: f.GetNoDateReason(), Remaining: f.GetRemaining(),
	}
	if !on.IsZero() {
		item.DaysGivenUp = int32(dateOf(f.GetP10Date()).Sub(on))
	}
	return item
}
