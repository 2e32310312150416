package app

import (
	"context"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/resource"
)

var findingColumns = []tableColumn{
	text("engine", "Engine", 1.6), day("original_date", "First found"), text("description", "Finding", 3), text("deferred", "Put off", 1), day("limit_date", "Last day"),
	text("category", "Category", 1.2), text("basis", "By which data", 2), text("placard", "Placard", 1.6), text("band", "Standing", 1.2), text("work_order", "Order", 2),
}

func findingRow(engine string, f *compliancev1.OpenFinding) []string {
	deferred := "no"
	if f.GetDeferred() {
		deferred = "yes"
	}
	return []string{
		engine, resource.DateText(f.GetOriginalDate()), f.GetDescription(), deferred, resource.DateText(f.GetLimitDate()), f.GetDeferralCategory(), f.GetBasis(),
		f.GetPlacard(), word(f.GetBand().String()), f.GetWorkOrder(),
	}
}

// findingTable has the open findings that the filter finds.
func (a *App) findingTable(ctx context.Context, filter string) (table, error) {
	t := table{name: "open-findings", title: "Open findings and deferrals", columns: findingColumns}
	req := &compliancev1.ListOpenFindingsRequest{PageSize: 1000, Filter: filter}
	for {
		page, err := a.listFindings(ctx, req, "closed = 0")
		if err != nil {
			return t, err
		}
		for _, f := range page.GetOpenFindings() {
			engine, err := a.GetEngine(ctx, f.GetEngine())
			if err != nil {
				return t, err
			}
			t.rows = append(t.rows, findingRow(label(engine), f))
		}
		if len(t.rows) > maxExported {
			return t, tooMuch()
		}
		if page.GetNextPageToken() == "" {
			return t, nil
		}
		req.PageToken = page.GetNextPageToken()
	}
}
