package app

import (
	"bytes"
	"context"
	"io"
	"iter"
	"strings"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/printing"
	"coldsection.example/services/platform/recordpack"
	"coldsection.example/services/platform/sheet"
)

// Bounds of one export, so that it fits a message.
const (
	maxExported      = 20_000
	maxExportedBytes = 3_500_000
)

// table is a list before it is written: columns, and rows of canonical texts.
type table struct {
	name, title string
	columns     []tableColumn
	rows        [][]string
	more        func() iter.Seq2[[]string, error] // its rows, where these are not held
	long        int                               // how many more there are
	notes       []string                          // what stands over it where it is printed
	at, known   time.Time                         // when it was so, and was known; zero is now
}

// tableColumn is a column with its name in a file and, printed, its title and share of the width.
type tableColumn struct {
	sheet.Column

	title  string
	weight float64
}

// ExportDueItems writes a list as a file. Reasons: FILTER_INVALID, EXPORT_TOO_LARGE, and those of a status.
func (a *App) ExportDueItems(ctx context.Context, req *compliancev1.ExportDueItemsRequest) (*compliancev1.ExportDueItemsResponse, error) {
	t, err := a.tableOf(ctx, req)
	if err != nil {
		return nil, err
	}
	resp := &compliancev1.ExportDueItemsResponse{}
	if req.GetFormat() == compliancev1.ExportDueItemsRequest_PDF {
		resp.MediaType, resp.FileName = "application/pdf", t.name+".pdf"
		resp.Content, err = a.printed(t)
	} else {
		format := sheet.CSV
		if req.GetFormat() == compliancev1.ExportDueItemsRequest_XLSX {
			format = sheet.XLSX
		}
		resp.MediaType, resp.FileName = format.MediaType(), t.name+"."+string(format)
		resp.Content, err = t.written(format)
	}
	if err == nil && len(resp.GetContent()) > maxExportedBytes {
		err = tooMuch()
	}
	return resp, err
}

func tooMuch() error {
	return fault.Precondition("EXPORT_TOO_LARGE", "One export holds at most %d rows and %d bytes. Narrow its filter and take it in parts.", maxExported, maxExportedBytes)
}

func (a *App) tableOf(ctx context.Context, req *compliancev1.ExportDueItemsRequest) (table, error) {
	if err := statusOnly(req); err != nil {
		return table{}, err
	}
	switch req.GetContent() {
	case compliancev1.ExportDueItemsRequest_STATUS:
		return a.statusTable(ctx, req)
	case compliancev1.ExportDueItemsRequest_LIFE_LIMITS:
		return a.lifeTable(ctx, req.GetFilter())
	case compliancev1.ExportDueItemsRequest_DIRECTIVES:
		return a.directiveTable(ctx, req.GetFilter())
	case compliancev1.ExportDueItemsRequest_LAST_AND_NEXT:
		return a.dueTable(ctx, req.GetFilter(), table{name: "last-and-next", title: "Last done and next due", columns: lastAndNextColumns}, lastAndNextRow)
	case compliancev1.ExportDueItemsRequest_OPEN_FINDINGS:
		return a.findingTable(ctx, req.GetFilter())
	default:
		return a.dueTable(ctx, req.GetFilter(), table{name: "due-list", title: "Due list", columns: dueColumns}, dueRow)
	}
}

func (t table) written(format sheet.Format) ([]byte, error) {
	var out bytes.Buffer
	err := t.write(&out, format)
	return out.Bytes(), err
}

// write writes the list row by row.
func (t table) write(out io.Writer, format sheet.Format) error {
	columns := make([]sheet.Column, len(t.columns))
	for i, c := range t.columns {
		columns[i] = c.Column
	}
	w, err := sheet.NewWriter(out, format, columns)
	if err != nil {
		return err
	}
	for row, err := range t.all() {
		if err != nil {
			return err
		}
		if err := w.Write(row...); err != nil {
			return err
		}
	}
	return w.Close()
}

// len is how many rows a list has.
func (t table) len() int { return len(t.rows) + t.long }

// all are the rows of a list, held or not.
func (t table) all() iter.Seq2[[]string, error] {
	return func(yield func([]string, error) bool) {
		for _, row := range t.rows {
			if !yield(row, nil) {
				return
			}
		}
		if t.more == nil {
			return
		}
		for row, err := range t.more() {
			if !yield(row, err) {
				return
			}
		}
	}
}

// printed is a list on pages of A4, lying. Every page carries the number of the document, page of pages and the hash of the same list as CSV, so that
// a printed list can be held against the file; the number stands for the list with its times (check QUA-08).
func (a *App) printed(t table) ([]byte, error) {
	now := a.Clock.Now()
	list, err := t.written(sheet.CSV)
	if err != nil {
		return nil, err
	}
	sum := recordpack.Sum(list)
	times := "As of " + minute(t.at, now) + " UTC, as it was known at " + minute(t.known, now) + " UTC."
	number := "CL-" + strings.ToUpper(recordpack.Sum([]byte(strings.Join(append([]string{t.title, times, sum}, t.notes...), "\n")))[:12])
	doc := printing.NewDocument(printing.Meta{
		Title: t.title, Subject: times, Author: "coldsection", Created: now, Number: number, Hash: sum[:16],
		Notice: "A list to plan by. The approved data and a licensed person decide.",
	}, printing.Size{Width: printing.A4.Height, Height: printing.A4.Width})
	doc.Heading(1, t.title)
	doc.Paragraph("Document " + number + ". " + times + "\nSHA-256 of the list as CSV: " + sum)
	for _, note := range t.notes {
		doc.Paragraph(note)
	}
	if len(t.rows) == 0 {
		doc.Paragraph("The list is empty.")
	}
	body, err := t.body()
	if err != nil {
		return nil, err
	}
	doc.Table(body)
	return doc.PDF()
}

// minute is an instant to the minute; none is now.
func minute(t, now time.Time) string {
	if t.IsZero() {
		t = now
	}
	return t.UTC().Format("2006-01-02 15:04")
}

// body is a list as a table on pages.
func (t table) body() (body printing.Table, err error) {
	for row, err := range t.all() {
		if err != nil {
			return body, err
		}
		body.Rows = append(body.Rows, row)
	}
	for _, c := range t.columns {
		body.Columns = append(body.Columns, printing.Column{Title: c.title, Weight: c.weight})
	}
	return body, nil
}
