package app

import (
	"context"
	"log/slog"
	"slices"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/anypb"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/operations"
	"coldsection.example/services/platform/sheet"
	"coldsection.example/services/platform/storage"
)

// bulkImport is the kind of operation that reads a long table.
const bulkImport = "readings.import"

// OpenOperations makes the service's long-running operations; the other fields of App are set before.
func (a *App) OpenOperations(log *slog.Logger) {
	a.Operations = operations.New(operations.Deps{Part: "performance", DB: a.DB, Clock: a.Clock, IDs: a.IDs, Lister: a.Lister, Log: log},
		operations.Kind{Name: bulkImport, Open: a.openBulk})
}

// BulkImportReadings keeps a table and starts its import. A header that can't be read is refused at once.
func (a *App) BulkImportReadings(ctx context.Context, req *performancev1.BulkImportReadingsRequest) (*longrunningpb.Operation, error) {
	if _, err := readTable(inOneCall(req, req.GetContent())); err != nil {
		return nil, err
	}
	if req.GetValidateOnly() {
		return a.tryBulk(ctx, req)
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*longrunningpb.Operation, error) {
		bare, _ := proto.Clone(req).(*performancev1.BulkImportReadingsRequest)
		bare.Content, bare.RequestId = nil, ""
		return a.Operations.Start(ctx, tx, bulkImport, bare, req.GetContent())
	})
}

// tryBulk is a finished operation that says what an import would do; nothing is kept of it.
func (a *App) tryBulk(ctx context.Context, req *performancev1.BulkImportReadingsRequest) (*longrunningpb.Operation, error) {
	dry := inOneCall(req, req.GetContent())
	dry.ValidateOnly = true
	found, err := a.ImportReadings(ctx, dry)
	if err != nil {
		return nil, err
	}
	said, err := anypb.New(found)
	if err != nil {
		return nil, err
	}
	return &longrunningpb.Operation{Done: true, Result: &longrunningpb.Operation_Response{Response: said}}, nil
}

// inOneCall is the request for the import in one call that does the same.
func inOneCall(req *performancev1.BulkImportReadingsRequest, content []byte) *performancev1.ImportReadingsRequest {
	return &performancev1.ImportReadingsRequest{Source: req.GetSource(), Content: content, Format: req.GetFormat(), Sheet: req.GetSheet(), Columns: req.GetColumns()}
}

// bulk is a long import as this process has it open.
type bulk struct {
	app      *App
	in       operations.Input
	source   string
	rows     []bulkRow
	profiles map[string]store.Profile
	lines    map[string]int32 // where each reading stands, by its name
}

// bulkRow is a row of the table in the file's order: good, or with its problems.
type bulkRow struct {
	line     int
	record   sheet.Record
	problems []sheet.Problem
}

func (a *App) openBulk(ctx context.Context, in operations.Input) (*operations.Job, error) {
	req, _ := in.Request.(*performancev1.BulkImportReadingsRequest)
	table, err := readTable(inOneCall(req, in.File))
	if err != nil {
		return nil, err
	}
	b := &bulk{app: a, in: in, source: req.GetSource(), rows: rowsOf(table), lines: map[string]int32{}}
	if b.profiles, err = a.profilesOf(ctx, table.Records); err != nil {
		return nil, err
	}
	for _, r := range slices.Backward(table.Records) { // of two equal rows the first is taken
		reading := readingOf(r, b.source)
		if p := b.profiles[r.Get("engine_serial").Text]; p.Name != "" && canonical(reading) == nil {
			b.lines[nameOf(p, reading)] = int32(r.Line)
		}
	}
	result := &performancev1.ImportReadingsResponse{RowsTotal: int32(len(b.rows))}
	describe(result, table)
	return &operations.Job{Rows: len(b.rows), Result: result, Work: b.work, Complete: b.complete}, nil
}

// rowsOf are the good and the bad rows of a table in their order.
func rowsOf(table *sheet.Bound) []bulkRow {
	rows := make([]bulkRow, 0, len(table.Records))
	for _, r := range table.Records {
		rows = append(rows, bulkRow{line: r.Line, record: r})
	}
	for _, p := range table.Problems { // by line
		if n := len(rows); n > 0 && len(rows[n-1].problems) > 0 && rows[n-1].line == p.Line {
			rows[n-1].problems = append(rows[n-1].problems, p)
			continue
		}
		rows = append(rows, bulkRow{line: p.Line, problems: []sheet.Problem{p}})
	}
	slices.SortStableFunc(rows, func(a, b bulkRow) int { return a.line - b.line })
	return rows
}

// work takes some rows. The engines are worked out at the end, once each.
func (b *bulk) work(ctx context.Context, tx *storage.Tx, step *operations.Step) error {
	resp, _ := step.Result.(*performancev1.ImportReadingsResponse)
	i := &importing{unit: b.app.unit(ctx, tx), source: b.source, resp: resp, step: step, lines: map[string]int32{}, taken: map[string][]*performancev1.Reading{}}
	for _, row := range b.rows[step.From:step.To] {
		for _, p := range row.problems {
			i.refuse(p.Line, p.Column, p.Reason, p.Text)
		}
		if len(row.problems) > 0 {
			continue
		}
		if err := i.take(ctx, row.record, b.profiles[row.record.Get("engine_serial").Text]); err != nil {
			return err
		}
	}
	for engine := range i.taken {
		if !slices.Contains(resp.GetEngines(), engine) {
			resp.Engines = append(resp.Engines, engine)
		}
		if err := store.Pend(ctx, tx, engine, i.now); err != nil {
			return err
		}
	}
	slices.Sort(resp.GetEngines())
	return nil
}

// complete works one engine out that still waits, and at last reports what the analysis did not accept.
func (b *bulk) complete(ctx context.Context, tx *storage.Tx, step *operations.Step) (left bool, err error) {
	resp, _ := step.Result.(*performancev1.ImportReadingsResponse)
	waiting, err := store.Pending(ctx, tx)
	if err != nil {
		return false, err
	}
	for _, engine := range resp.GetEngines() {
		if slices.Contains(waiting, engine) {
			_, err := b.app.unit(ctx, tx).settle(ctx, engine, nil)
			return true, err
		}
	}
	for _, engine := range resp.GetEngines() {
		if err := b.report(ctx, tx, engine, resp); err != nil {
			return false, err
		}
	}
	sortProblems(resp)
	return false, nil
}

// report names the readings that this import brought and the analysis did not accept.
func (b *bulk) report(ctx context.Context, tx *storage.Tx, engine string, resp *performancev1.ImportReadingsResponse) error {
	condition, args := store.Under(engine + "/readings")
	aside, err := store.Readings.Where(ctx, tx, condition+" AND state <> 'ACCEPTED' AND create_time >= $3 ORDER BY read_time, name",
		append(args, storage.Micros(b.in.CreateTime))...)
	if err != nil {
		return err
	}
	for _, r := range aside {
		line, ours := b.lines[r.GetName()]
		if !ours {
			continue
		}
		resp.RowsHeld += heldCount(r)
		resp.Problems = append(resp.Problems, &performancev1.RowProblem{Line: line, Reason: r.GetStateReason(), Text: r.GetStateText()})
	}
	return nil
}
