package server_test

import (
	"strings"
	"testing"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/printing/printingtest"
	"coldsection.example/services/platform/sheet"
)

// Open findings and deferrals are a list as CSV, XLSX and PDF, without what is closed, and to a limited caller without what is another's.
func TestOpenFindingsAreExported(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.tell("a", deferred(w.found("a", workordersv1.Finding_RAISED)))
		w.tell("b", w.found("b", workordersv1.Finding_RAISED))
		closed := w.found("c", workordersv1.Finding_CLOSED)
		closed.Description = "loose clamp"
		w.tell("c", closed)
		const content = compliancev1.ExportDueItemsRequest_OPEN_FINDINGS
		for asked, format := range map[compliancev1.ExportDueItemsRequest_Format]sheet.Format{
			compliancev1.ExportDueItemsRequest_CSV: sheet.CSV, compliancev1.ExportDueItemsRequest_XLSX: sheet.XLSX,
		} {
			file := w.export(content, asked).GetContent()
			put := row(t, file, format, "work_order", "workOrders/a")
			if put["engine"] != "D-1001" || put["deferred"] != "yes" || put["limit_date"] != "2026-03-12" || put["original_date"] != "2026-03-02" || put["placard"] != "INOPERATIVE" {
				t.Errorf("%s: %v", format, put)
			}
			if open := row(t, file, format, "work_order", "workOrders/b"); open["deferred"] != "no" || open["limit_date"] != "" || open["band"] != "no data" {
				t.Errorf("%s: %v", format, open)
			}
			if table := must(sheet.Read(file, format, sheet.Options{}))(t); len(table.Rows) != 2 {
				t.Errorf("%s has %d rows", format, len(table.Rows))
			}
		}
		if text := printingtest.Text(t, w.export(content, compliancev1.ExportDueItemsRequest_PDF).GetContent()); !strings.Contains(text, "chafed hose") || strings.Contains(text, "loose clamp") {
			t.Error(text)
		}
		_, err := w.exchange.ExportDueItems(w.as("quality"), &compliancev1.ExportDueItemsRequest{Content: content, Filter: "closed = false) OR (closed = true"})
		refused(t, err, "FILTER_INVALID")
		w.lent()
		for who, want := range map[string]int{"south": 2, "north": 0} {
			list := must(w.exchange.ExportDueItems(w.guest(who), &compliancev1.ExportDueItemsRequest{Content: content, Filter: `deferred = true OR deferred = false`}))(t)
			if n := strings.Count(string(list.GetContent()), "chafed hose"); n != want {
				t.Errorf("%s is shown %d findings, want %d", who, n, want)
			}
		}
	})
}
