package app

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/operations"
	"coldsection.example/services/platform/sheet"
	"coldsection.example/services/platform/storage"
)

// maxImported is how many rows one call takes.
const maxImported = 5000

// importer takes the rows of one table in.
type importer struct {
	unit

	kind     importKind
	headings map[string]string // by the name of the column, as the file spells it
	check    func(proto.Message) error
	proofs   proofs
	second   bool // the second person's proof is needed
	resp     *compliancev1.ImportFleetResponse
	apart    bool             // each row stands by itself: a refused one leaves nothing and the others are taken
	step     *operations.Step // is told of refused rows; nil without an operation
}

// importKind is how the rows of a kind are taken.
type importKind struct {
	name   string
	wants  []sheet.Want
	source string // the column that tells one row from another, and those of one thing apart
	take   func(*importer, context.Context, []sheet.Record) (string, error)
}

// kindsOfRows are the kinds; the contract names their columns in the same order.
var kindsOfRows = map[compliancev1.FleetRows]importKind{
	compliancev1.FleetRows_AIRCRAFT:     {"aircraft", aircraftColumns, "aircraft_id", (*importer).aircraft},
	compliancev1.FleetRows_ENGINES:      {"engines", engineColumns, "engine_id", (*importer).engine},
	compliancev1.FleetRows_COMPONENTS:   {"components", componentColumns, "component_id", (*importer).component},
	compliancev1.FleetRows_REQUIREMENTS: {"requirements", requirementColumns, "requirement_id", (*importer).requirement},
	compliancev1.FleetRows_LAST_DONE:    {"last-done", doneColumns, "source_id", (*importer).lastDone},
}

// importFailedError carries the report out of a transaction that is rolled back.
type importFailedError struct {
	report *compliancev1.ImportFleetResponse
}

func (importFailedError) Error() string { return "rows have faults" }

// ImportFleet takes the rows of a table in, all or none. Reasons: ROLE_MISSING, REAUTHENTICATION_NEEDED, TABLE_TOO_LARGE, and those of
// reading a table.
func (a *App) ImportFleet(ctx context.Context, req *compliancev1.ImportFleetRequest) (*compliancev1.ImportFleetResponse, error) {
	kind := kindsOfRows[req.GetRows()]
	_, bound, err := readRows(kind, req.GetContent(), maxImported)
	if err != nil {
		return nil, err
	}
	i := a.importer(kind, bound)
	i.proofs = a.proofs(ctx, req)
	resp, err := idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*compliancev1.ImportFleetResponse, error) {
		i.unit, i.resp, i.second = a.unit(ctx, tx), &compliancev1.ImportFleetResponse{}, false
		i.later = postpone()
		return i.rows(ctx, bound, req.GetRows() == compliancev1.FleetRows_LAST_DONE)
	})
	if failed, ok := errors.AsType[importFailedError](err); ok {
		return failed.report, nil
	}
	return resp, err
}

// readRows reads a table of so many rows at most. Reasons: TABLE_TOO_LARGE, and those of reading a table.
func readRows(kind importKind, content []byte, most int) (*sheet.Table, *sheet.Bound, error) {
	table, err := sheet.Read(content, sheet.Detect(content), sheet.Options{Limits: sheet.Limits{Rows: most}})
	if err != nil {
		return nil, nil, err
	}
	bound, err := table.Bind(kind.wants...)
	return table, bound, err
}

func (a *App) importer(kind importKind, bound *sheet.Bound) *importer {
	i := &importer{kind: kind, headings: map[string]string{}, check: a.Judge}
	for _, c := range bound.Columns {
		i.headings[c.Name] = c.Heading
	}
	return i
}

// rows takes every row, and works out what is due when all are in.
func (i *importer) rows(ctx context.Context, bound *sheet.Bound, signed bool) (*compliancev1.ImportFleetResponse, error) {
	if signed {
		if err := i.mayImportDone(); err != nil {
			return nil, err
		}
	}
	for _, p := range bound.Problems {
		i.fault(p.Line, p.Column, p.Reason, p.Text)
	}
	for _, group := range i.groups(bound.Records) {
		if err := i.row(ctx, group); err != nil {
			return nil, err
		}
	}
	if len(i.resp.GetFaults()) > 0 {
		i.resp.Names, i.resp.ImportedCount, i.resp.UnchangedCount = nil, 0, 0
		return nil, importFailedError{i.resp}
	}
	if signed {
		if err := i.useProofs(ctx); err != nil {
			return nil, err
		}
	}
	return i.resp, i.catchUp(ctx)
}

// mayImportDone refuses callers who may not sign entries of the past, before anything is judged.
func (i *importer) mayImportDone() error {
	if !i.caller.Has("quality") {
		return fault.Denied("ROLE_MISSING", "Work done before is entered and signed by quality. Ask one of the quality staff.")
	}
	return i.proofs.ownErr
}

// useProofs spends the proofs once for all rows.
func (i *importer) useProofs(ctx context.Context) error {
	if i.resp.GetImportedCount() == 0 {
		return nil
	}
	if err := auth.UseProof(ctx, i.Tx, i.proofs.own, i.now); err != nil || !i.second {
		return err
	}
	return auth.UseProof(ctx, i.Tx, i.proofs.second, i.now)
}

// groups are the rows of one thing each: rows of components with the same id that follow one another are one component's stays.
func (i *importer) groups(records []sheet.Record) (out [][]sheet.Record) {
	for n, r := range records {
		id := r.Get(i.kind.source).Text
		if n > 0 && i.kind.source == "component_id" && id == records[n-1].Get(i.kind.source).Text {
			out[len(out)-1] = append(out[len(out)-1], r)
			continue
		}
		out = append(out, []sheet.Record{r})
	}
	return out
}

// row takes what one thing's rows say, unless the same was taken before.
func (i *importer) row(ctx context.Context, group []sheet.Record) error {
	id, hash := group[0].Get(i.kind.source).Text, i.hash(group)
	before, err := store.ImportedRow(ctx, i.Tx, i.kind.name, id)
	switch {
	case err != nil:
		return err
	case before.Hash == hash:
		i.resp.UnchangedCount += count(group)
		return nil
	case before.Hash != "":
		i.fault(group[0].Line, i.headings[i.kind.source], "ALREADY_EXISTS",
			fmt.Sprintf("%s was imported before with other values as %s, which stays. Change it there, or take the row out.", id, before.Name))
		return nil
	}
	name, err := i.taken(ctx, group, id, hash)
	if refusal, ok := fault.As(err); ok && !fault.Undecided(err) {
		i.refused(group, refusal)
		return nil
	}
	if err != nil {
		return err
	}
	if !i.apart {
		i.resp.Names = append(i.resp.Names, name)
	}
	i.resp.ImportedCount += count(group)
	return nil
}

// taken takes what one thing's rows say and remembers it; where rows stand apart, a refusal takes back what it left.
func (i *importer) taken(ctx context.Context, group []sheet.Record, id, hash string) (name string, err error) {
	take := func(ctx context.Context) error {
		if name, err = i.kind.take(i, ctx, group); err != nil {
			return err
		}
		fresh, err := store.AddImportedRow(ctx, i.Tx, i.kind.name, id, store.Imported{Name: name, Hash: hash}, i.now)
		if err == nil && !fresh {
			return fault.Exists(id)
		}
		return err
	}
	if !i.apart {
		err = take(ctx)
		return name, err
	}
	all := i.later
	defer func() { i.later = all }()
	i.later = postpone()
	if err := i.Try(ctx, take); err != nil {
		return "", err
	}
	all.add(i.later)
	return name, nil
}

func count(group []sheet.Record) int32 { return int32(min(len(group), maxImported)) }

// ExportFleetTemplate writes the empty table of a kind of rows.
func (*App) ExportFleetTemplate(_ context.Context, req *compliancev1.ExportFleetTemplateRequest) (*compliancev1.ExportFleetTemplateResponse, error) {
	kind, format := kindsOfRows[req.GetRows()], sheet.CSV
	if req.GetFormat() == compliancev1.ExportFleetTemplateRequest_XLSX {
		format = sheet.XLSX
	}
	var columns []sheet.Column
	for _, w := range kind.wants {
		columns = append(columns, sheet.Column{Name: w.Name})
	}
	var out bytes.Buffer
	w, err := sheet.NewWriter(&out, format, columns)
	if err != nil {
		return nil, err
	}
	err = w.Close()
	return &compliancev1.ExportFleetTemplateResponse{Content: out.Bytes(), MediaType: format.MediaType(), FileName: kind.name + "." + string(format)}, err
}
