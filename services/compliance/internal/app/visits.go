package app

import (
	"context"
	"fmt"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/compliance/internal/visit"
	"coldsection.example/services/platform/fault"
)

// ProposeVisit proposes what to do at one visit and when, by the early end of each item's range, and says what is there for it. Reasons:
// DATE_INVALID, DATES_REVERSED, UNIT_MISMATCH.
func (a *App) ProposeVisit(ctx context.Context, req *compliancev1.ProposeVisitRequest) (*compliancev1.ProposeVisitResponse, error) {
	window, err := windowOf(req)
	if err != nil {
		return nil, err
	}
	filter, err := a.subjectFilter(ctx, req.GetSubject())
	if err != nil {
		return nil, err
	}
	list, err := a.forecastAll(ctx, &compliancev1.ForecastDueItemsRequest{Filter: filter, PageSize: 1000, Scenario: req.GetScenario()})
	if err != nil {
		return nil, err
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

// subjectFilter is the filter of an engine's due items, or of those of an aircraft's engines. Reason: NOT_FOUND.
func (a *App) subjectFilter(ctx context.Context, subject string) (string, error) {
	if !strings.HasPrefix(subject, "aircraft/") {
		_, err := store.Engines.Read(ctx, a.DB, subject)
		return fmt.Sprintf("subject = %q", subject), err
	}
	plane, err := store.Aircraft.Read(ctx, a.DB, subject)
	if err != nil {
		return "", err
	}
	parts := []string{fmt.Sprintf("subject = %q", subject)}
	for _, engine := range plane.GetEngines() {
		parts = append(parts, fmt.Sprintf("subject = %q", engine))
	}
	return strings.Join(parts, " OR "), nil
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
