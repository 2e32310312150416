package app

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
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
	list, err := a.candidates(ctx, subjects, req.GetScenario())
	if err != nil {
		return nil, err
	}
	resp, byName := &compliancev1.ProposeVisitResponse{}, map[string]*compliancev1.VisitItem{}
	var items []visit.Item
	for _, c := range list {
		byName[c.name()] = c.item
		early := dateOf(c.item.GetDueDate())
		switch {
		case c.band == compliancev1.DueItem_EXEMPT:
		case c.band == compliancev1.DueItem_OVERDUE || c.band == compliancev1.DueItem_IN_TOLERANCE:
			resp.EarlierItems = append(resp.EarlierItems, c.item)
		case c.band == compliancev1.DueItem_ATTENTION:
			c.item.Reason = "past its soft life, done at the next visit"
			items = append(items, visit.Item{Name: c.name(), Soft: true})
		case early.IsZero():
			resp.UndecidedItems = append(resp.UndecidedItems, c.item)
		default:
			items = append(items, visit.Item{Name: c.name(), Due: early})
		}
	}
	p := visit.Propose(items, window)
	for _, i := range p.Earlier {
		resp.EarlierItems = append(resp.EarlierItems, byName[i.Name])
	}
	for _, i := range p.Items {
		item := byName[i.Name]
		if !i.Soft {
			item.DaysGivenUp = int32(i.Due.Sub(p.Day))
		}
		resp.VisitItems = append(resp.VisitItems, item)
	}
	resp.VisitDate, resp.DaysGivenUp, resp.Explanation = protoDate(p.Day), int64(p.GivenUp), p.Why
	if len(resp.GetVisitItems()) == 0 {
		return resp, nil
	}
	return resp, a.readyFor(ctx, resp.GetVisitItems(), p.Day, req.GetMaterialNeeds())
}

// candidate is what may come to a visit, with the early end of its range as its due date.
type candidate struct {
	item *compliancev1.VisitItem
	band compliancev1.DueItem_Band
}

func (c candidate) name() string { return cmp.Or(c.item.GetDueItem(), c.item.GetLifeStatus()) }

// candidates are the due items of subjects and the lives of the parts among them.
func (a *App) candidates(ctx context.Context, subjects []string, what *compliancev1.FlyingScenario) (all []candidate, err error) {
	for some := range slices.Chunk(subjects, subjectsAtOnce) {
		more, err := a.forecastAll(ctx, &compliancev1.ForecastDueItemsRequest{Filter: ofAny(some), PageSize: 1000, Scenario: what})
		if err != nil {
			return nil, err
		}
		for _, f := range more {
			all = append(all, candidate{visitItem(f), f.GetBand()})
		}
	}
	lives, err := a.livesAhead(ctx, subjects, what)
	return append(all, lives...), err
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

func visitItem(f *compliancev1.DueForecast) *compliancev1.VisitItem {
	return &compliancev1.VisitItem{
		DueItem: f.GetDueItem(), RequirementCode: f.GetRequirementCode(), Subject: f.GetSubject(), DueDate: f.GetP10Date(), DrivingUnit: f.GetDrivingUnit(),
		Reason: f.GetNoDateReason(), Remaining: f.GetRemaining(),
	}
}
