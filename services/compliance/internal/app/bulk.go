package app

import (
	"context"
	"slices"
	"strings"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"
	"google.golang.org/protobuf/types/known/anypb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/operations"
	"coldsection.example/services/platform/sheet"
	"coldsection.example/services/platform/storage"
)

// fleetImport is the kind of operation that takes a long table in.
const fleetImport = "fleet.import"

// maxBulk is how many rows a long table has at most.
const maxBulk = 100_000

// BulkImportFleet starts to take a long table in, row by row: a refused row is named and the others are taken. A header that can't be
// read is refused at once, and so are proofs that don't hold: they are spent here, for the whole table. Reasons: ROLE_MISSING,
// REAUTHENTICATION_NEEDED, SECOND_PERSON_NEEDED, TABLE_TOO_LARGE, and those of reading a table.
func (a *App) BulkImportFleet(ctx context.Context, req *compliancev1.BulkImportFleetRequest) (*longrunningpb.Operation, error) {
	kind, most := kindsOfRows[req.GetRows()], maxBulk
	if req.GetValidateOnly() {
		most = maxImported
	}
	table, bound, err := readRows(kind, req.GetContent(), most)
	if err != nil {
		return nil, err
	}
	i := a.importer(kind, bound)
	i.proofs = a.proofs(ctx, req)
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*longrunningpb.Operation, error) {
		i.unit = a.unit(ctx, tx)
		begun := &compliancev1.FleetImport{Rows: req.GetRows()}
		if err := i.sign(ctx, begun, req.GetSecondReauthenticationToken() != ""); err != nil {
			return nil, err
		}
		if !req.GetValidateOnly() {
			return a.Operations.Start(ctx, tx, fleetImport, begun, req.GetContent())
		}
		b := &bulkFleet{app: a, begun: begun, importer: i, rows: i.bulkRows(table, bound)}
		return b.tried(ctx, tx)
	})
}

// sign spends the proofs that stand for every row of a table of the past, and keeps who the second person is.
func (i *importer) sign(ctx context.Context, begun *compliancev1.FleetImport, second bool) error {
	if begun.GetRows() != compliancev1.FleetRows_LAST_DONE {
		return nil
	}
	if err := i.mayImportDone(); err != nil {
		return err
	}
	if err := auth.UseProof(ctx, i.Tx, i.proofs.own, i.now); err != nil || !second {
		return err
	}
	person, err := i.secondPerson(ctx, i.proofs)
	if err != nil {
		return err
	}
	begun.SecondPerson = person
	return auth.UseProof(ctx, i.Tx, i.proofs.second, i.now)
}

// bulkFleet is a long import as this process has it open.
type bulkFleet struct {
	*importer

	app   *App
	begun *compliancev1.FleetImport
	rows  []fleetRow
}

// fleetRow is a row of the table in the file's order: with its problems, or with the rows of the thing that it is the first of. One that
// another row speaks for has neither.
type fleetRow struct {
	line     int
	problems []sheet.Problem
	group    []sheet.Record
}

func (a *App) openBulk(ctx context.Context, in operations.Input) (*operations.Job, error) {
	begun, _ := in.Request.(*compliancev1.FleetImport)
	kind := kindsOfRows[begun.GetRows()]
	table, bound, err := readRows(kind, in.File, maxBulk)
	if err != nil {
		return nil, err
	}
	i := a.importer(kind, bound)
	b := &bulkFleet{app: a, begun: begun, importer: i, rows: i.bulkRows(table, bound)}
	i.proofs.second.Person = begun.GetSecondPerson()
	if begun.GetSecondPerson() == "" { // what is refused without a second person is refused in the same words
		_, i.proofs.secondErr = a.Keys.VerifySecond(ctx, "", a.Clock.Now())
	}
	return &operations.Job{Rows: len(b.rows), Result: &compliancev1.ImportFleetResponse{}, Work: b.work}, nil
}

// work takes some rows, and works out what is due by them, so that every part that is kept is whole.
func (b *bulkFleet) work(ctx context.Context, tx *storage.Tx, step *operations.Step) error {
	resp, _ := step.Result.(*compliancev1.ImportFleetResponse)
	b.step = step
	return b.take(ctx, tx, b.rows[step.From:step.To], resp)
}

// tried is a finished operation that says what an import would do; its transaction is taken back.
func (b *bulkFleet) tried(ctx context.Context, tx *storage.Tx) (*longrunningpb.Operation, error) {
	resp := &compliancev1.ImportFleetResponse{}
	if err := b.take(ctx, tx, b.rows, resp); err != nil {
		return nil, err
	}
	said, err := anypb.New(resp)
	return &longrunningpb.Operation{Done: true, Result: &longrunningpb.Operation_Response{Response: said}}, err
}

func (b *bulkFleet) take(ctx context.Context, tx *storage.Tx, rows []fleetRow, resp *compliancev1.ImportFleetResponse) error {
	b.unit, b.resp, b.apart = b.app.unit(ctx, tx), resp, true
	b.later = postpone()
	for _, r := range rows {
		for _, p := range r.problems {
			b.fault(p.Line, p.Column, p.Reason, p.Text)
		}
		if len(r.problems) > 0 || len(r.group) == 0 {
			continue
		}
		if err := b.row(ctx, r.group); err != nil {
			return err
		}
	}
	return b.catchUp(ctx)
}

// bulkRows are all rows of a table in their order.
func (i *importer) bulkRows(table *sheet.Table, bound *sheet.Bound) []fleetRow {
	var rows []fleetRow
	groups := i.groups(bound.Records)
	doubtful := i.doubtful(table, bound, groups)
	for _, g := range groups {
		id := g[0].Get(i.kind.source).Text
		rows = append(rows, fleetRow{line: g[0].Line, group: g})
		if why, is := doubtful[id]; is {
			rows[len(rows)-1] = fleetRow{line: g[0].Line, problems: []sheet.Problem{why.at(g[0].Line, i.headings[i.kind.source])}}
		}
		for _, more := range g[1:] {
			rows = append(rows, fleetRow{line: more.Line})
		}
	}
	for _, p := range bound.Problems { // by line
		if n := len(rows); n > 0 && rows[n-1].line == p.Line && len(rows[n-1].problems) > 0 {
			rows[n-1].problems = append(rows[n-1].problems, p)
			continue
		}
		rows = append(rows, fleetRow{line: p.Line, problems: []sheet.Problem{p}})
	}
	slices.SortStableFunc(rows, func(a, b fleetRow) int { return a.line - b.line })
	return rows
}

// doubt is why a component whose own rows are good is not taken.
type doubt string

func (d doubt) at(line int, column string) sheet.Problem {
	return sheet.Problem{Line: line, Column: column, Reason: "HISTORY_INCOMPLETE", Text: string(d)}
}

// doubtful are the components whose stays are not all in their rows: one of these is bad, or may be theirs, or they stand apart from one
// another. Taken without, a gap in the history would not be seen.
func (i *importer) doubtful(table *sheet.Table, bound *sheet.Bound, groups [][]sheet.Record) map[string]doubt {
	if i.kind.source != "component_id" {
		return nil
	}
	out, seen := map[string]doubt{}, map[string]bool{}
	for _, g := range groups {
		id := g[0].Get(i.kind.source).Text
		if seen[id] {
			out[id] = "The rows of this component are apart from one another, so a stay may lack. Put them one after the other, and import them again."
		}
		seen[id] = true
	}
	ids := i.idsByLine(table)
	for _, p := range bound.Problems {
		for _, id := range i.meant(ids[p.Line], p.Line, groups) {
			out[id] = "A row that is or may be this component's can't be taken, so a stay would lack. Put that row right, and import all of them again."
		}
	}
	return out
}

// idsByLine are what the rows of a table have in the column that tells one thing from another, good or bad.
func (i *importer) idsByLine(table *sheet.Table) map[int]string {
	ids, at := map[int]string{}, slices.Index(table.Header, i.headings[i.kind.source])
	for _, r := range table.Rows {
		if at >= 0 && at < len(r.Cells) {
			ids[r.Line] = strings.TrimSpace(r.Cells[at])
		}
	}
	return ids
}

// meant are the things that a bad row may be of: the one that it names, else those of the good rows before and after it.
func (i *importer) meant(id string, line int, groups [][]sheet.Record) []string {
	if id != "" {
		return []string{id}
	}
	next := slices.IndexFunc(groups, func(g []sheet.Record) bool { return g[len(g)-1].Line > line })
	if next < 0 {
		next = len(groups)
	}
	var out []string
	for _, n := range []int{next - 1, next} {
		if n >= 0 && n < len(groups) {
			out = append(out, groups[n][0].Get(i.kind.source).Text)
		}
	}
	return out
}
