package app

import (
	"fmt"
	"iter"
	"strconv"
	"strings"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/printing"
	"coldsection.example/services/platform/recordpack"
	"coldsection.example/services/platform/resource"
)

var recordColumns = []tableColumn{
	text("subject", "Of", 1.6), day("done_date", "Done"), text("requirement", "Requirement", 2), hours("done_hours", "at hours"), whole("done_cycles", "at cycles"),
	text("work_order", "Order", 2), text("method", "Method", 2.4), text("document", "Document", 2), text("certifier", "Signed by", 1.6),
	text("standing", "Standing", 1.6), text("sha256", "SHA-256 of the content", 3),
}

var fittingColumns = []tableColumn{
	text("item", "What", 2), text("host", "Fitted to", 2), text("position", "Position", 1), day("install_date", "On"), day("remove_date", "Off"),
	text("reason", "Why it came off", 2.4), text("standing", "Standing", 2.4),
}

// flownList is the list of flying.
func (g *gathered) flownList() table {
	return table{more: g.flown.all, long: g.flown.Len(), name: "flying", title: "Flying that was counted", columns: []tableColumn{
		text("subject", "Of", 1.6), day("flight_date", "Flown"), hours("operating_hours", "Hours"), whole("cycles", "Cycles"), whole("starts", "Starts"), whole("landings", "Landings"),
		text("entry", "Entry", 3),
	}}
}

// toolList is the list of uses of tools.
func (g *gathered) toolList() table {
	return table{more: g.tools.all, long: g.tools.Len(), name: "tool-uses", title: "Tools that were used", columns: []tableColumn{
		text("engine", "On", 1.4), text("use_time_utc", "At", 2), text("tool", "Tool", 1.6), text("work_order", "Order", 1.8), text("measurement", "For", 3), text("person", "By", 1.6),
		text("calibration", "Calibration", 1.8),
	}}
}

// lists are the lists of a pack, as its files and its index show them.
func (g *gathered) lists() []table {
	next := table{name: "last-and-next", title: "Last done and next due", columns: lastAndNextColumns}
	for _, item := range g.status.GetDueItems() {
		next.rows = append(next.rows, lastAndNextRow(item))
	}
	directives := table{name: "directives", title: "Directives", columns: directiveColumns}
	for _, s := range g.status.GetRequirementStatuses() {
		if s.GetKind() == compliancev1.Requirement_DIRECTIVE {
			directives.rows = append(directives.rows, directiveRow(g.labels[s.GetSubject()], s))
		}
	}
	return []table{next, directives, g.lifeList(), g.findingList(), g.recordList(), g.fittingList(), g.flownList(), g.toolList()}
}

func (g *gathered) lifeList() table {
	t := table{name: "life-limits", title: "Life-limited parts", columns: lifeColumns}
	for _, s := range g.status.GetLifeStatuses() {
		t.rows = append(t.rows, lifeRow(g.called(s.GetHost()), s))
	}
	return t
}

func (g *gathered) findingList() table {
	t := table{name: "open-findings", title: "Open findings and deferrals", columns: findingColumns}
	for _, f := range g.status.GetOpenFindings() {
		t.rows = append(t.rows, findingRow(g.called(f.GetEngine()), f))
	}
	return t
}

func (g *gathered) recordList() table {
	return table{name: "records", title: "Records", columns: recordColumns, long: g.records.Len(), more: func() iter.Seq2[[]string, error] {
		return func(yield func([]string, error) bool) {
			for e, err := range g.records.all() {
				if !yield(g.recordRow(e.GetAccomplishment()), err) {
					return
				}
			}
		}
	}}
}

func (g *gathered) recordRow(a *compliancev1.Accomplishment) []string {
	at, cycles := "", ""
	if c := a.GetCounters(); c != nil {
		at, cycles = span(c.GetOperatingSeconds()), strconv.FormatInt(c.GetCycles(), 10)
	}
	requirement, _, _ := strings.Cut(a.GetName(), "/accomplishments/")
	return []string{
		g.called(a.GetSubject()), resource.DateText(a.GetDoneDate()), requirement, at, cycles, a.GetWorkOrder(), a.GetMethod(), a.GetDocumentReference(),
		a.GetCertifier(), standingOfRecord(a), a.GetContentHash(),
	}
}

// standingOfRecord says whether a record counts. What was corrected stays to be read.
func standingOfRecord(a *compliancev1.Accomplishment) string {
	switch {
	case a.GetSuccessor() != "":
		return "corrected by " + a.GetSuccessor()
	case a.GetVoid():
		return "takes back " + a.GetSupersedes()
	default:
		return "counts"
	}
}

func (g *gathered) fittingList() table {
	t := table{name: "fittings", title: "What was fitted where", columns: fittingColumns}
	for _, f := range g.fittings {
		standing := "counts"
		switch f.GetCorrection() {
		case "":
		case f.GetName():
			standing = "taken back: " + f.GetVoidReason()
		default:
			standing = "corrected by " + f.GetCorrection()
		}
		t.rows = append(t.rows, []string{
			g.called(f.GetItem()), g.called(f.GetHost()), f.GetPosition(), resource.DateText(f.GetInstallDate()), resource.DateText(f.GetRemoveDate()), f.GetRemoveReason(), standing,
		})
	}
	return t
}

// called is a thing of the pack as people call it, another by its name.
func (g *gathered) called(name string) string {
	if g.labels[name] != "" {
		return g.labels[name]
	}
	return name
}

// How many entries of flying the index prints, as the counters above are their sum, and how many of another list. More make it long, and stand in the
// list's file: the index is held while it is printed.
const (
	maxIndexedFlying = 400
	maxIndexed       = 2_000
)

// indexed is how many rows of a list the index prints at the most.
func (t table) indexed() int {
	if t.name == "flying" {
		return maxIndexedFlying
	}
	return maxIndexed
}

// index is the pack to be read and printed: number, page and hash stand on every page, and no colour means anything.
func (g *gathered) index(p *compliancev1.RecordPack, files []recordpack.File) ([]byte, error) {
	doc := printing.NewDocument(printing.Meta{
		Title: "Record pack of " + g.label, Subject: p.GetSubject(), Author: "coldsection", Number: p.GetNumber(), Hash: p.GetContentSha256()[:16],
		Created: p.GetKnownAtTime().AsTime(), Notice: "Copies of signed records.",
	}, printing.Size{Width: printing.A4.Height, Height: printing.A4.Width})
	doc.Heading(1, "Record pack of "+g.label)
	doc.Paragraph(fmt.Sprintf("%s as it was at %s, as it was known at %s.\nSHA-256 of the records: %s",
		p.GetSubject(), stamp(p.GetAsOfTime()), stamp(p.GetKnownAtTime()), p.GetContentSha256()))
	doc.Paragraph("Check the file with: coldsection pack verify FILE --key KEY. Ask the maker for the key by another way than this file.")
	if g.limited != "" {
		doc.Paragraph(fmt.Sprintf("Limited to what belongs to %s. What belongs to others is left out or not named: %d fittings and entries of record chains.",
			strings.ReplaceAll(g.limited, " ", ", "), g.left))
	}
	g.standing(doc)
	for _, t := range g.tables {
		doc.Heading(2, t.title)
		if t.len() == 0 {
			doc.Paragraph("The list is empty.")
			continue
		}
		if t.len() > t.indexed() {
			doc.Paragraph(fmt.Sprintf("%d entries; each stands in %s.csv.", t.len(), t.name))
			continue
		}
		body, err := t.body()
		if err != nil {
			return nil, err
		}
		doc.Table(body)
	}
	doc.Heading(2, "Files")
	list := printing.Table{Columns: []printing.Column{{Title: "File", Weight: 1.5}, {Title: "Bytes", Weight: 0.7}, {Title: "SHA-256", Weight: 4, Mono: true}}}
	for _, f := range files {
		list.Rows = append(list.Rows, []string{f.Path, strconv.Itoa(f.Bytes()), f.Sum()})
	}
	doc.Table(list)
	return doc.PDF()
}

// standing writes whether all was in order, and what was not.
func (g *gathered) standing(doc *printing.Document) {
	doc.Paragraph(countersSaid(g.status.GetCounters()))
	if g.status.GetCompliant() {
		doc.Paragraph("Nothing was overdue, unknown or undecided.")
		return
	}
	doc.Heading(2, "Overdue, unknown or undecided")
	for _, e := range g.status.GetExceptions() {
		doc.Paragraph("– " + e)
	}
}
