package app

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/recordpack"
	"coldsection.example/services/platform/sheet"
)

// gathered is what goes into a record pack. All of it is as it was known, so that the same question has the same answer for ever. What there may be much
// of is spooled; of records and flying no more than names are held.
type gathered struct {
	label    string
	labels   map[string]string // of every subject, by name
	status   *compliancev1.ComplianceStatus
	limited  string // the owners whose things it holds, when not all
	left     int    // fittings and entries of chains that are left out, as they name things of other owners
	records  spooledMessages[*compliancev1.Evidence]
	fittings []*compliancev1.Fitting
	flown    spooledRows[[]string] // entries of flying, thing by thing
	tools    spooledRows[[]string] // what tools were used on the engines
	entries  spooledRows[recordchain.Proof]
	heads    []recordpack.Head
	named    map[string]bool // the fittings that are there
	recorded []string        // the names of the records
	tables   []table
}

// close gives up what is spooled.
func (g *gathered) close() error {
	return errors.Join(g.records.Close(), g.flown.Close(), g.tools.Close(), g.entries.Close())
}

// gather reads what a pack holds; whoever has it closes it, also when it is not whole.
func (u unit) gather(ctx context.Context, p *compliancev1.RecordPack) (*gathered, error) {
	t := times{at: p.GetAsOfTime().AsTime(), known: p.GetKnownAtTime().AsTime()}
	status := &compliancev1.ComplianceStatus{Subject: p.GetSubject(), AsOfTime: p.GetAsOfTime(), KnownAtTime: p.GetKnownAtTime()}
	g := &gathered{labels: map[string]string{}, named: map[string]bool{}, status: status, limited: limitedTo(ctx)}
	all, rules, err := u.subjects(ctx, g.status, t, true)
	if err != nil {
		return g, err
	}
	u.rules, g.label = rules, label(all[0].subject)
	if err := u.standAll(ctx, g.status, all); err != nil {
		return g, err
	}
	for i := range all {
		all[i].records = records{} // they are read once more, a few at a time
	}
	for _, s := range all {
		g.labels[s.subject.GetName()] = label(s.subject)
		if err := u.gatherOf(ctx, g, s); err != nil {
			return g, err
		}
	}
	if err := u.chain(ctx, g, all, t.known); err != nil {
		return g, err
	}
	g.tables = g.lists()
	return g, nil
}

// gatherOf adds the records and fittings of one subject, done by the day asked about.
func (u unit) gatherOf(ctx context.Context, g *gathered, s seen) error {
	if err := store.EachRecordedOn(ctx, u.Tx, s.subject.GetName(), s.known, func(a *compliancev1.Accomplishment) error {
		return u.gatherRecord(ctx, g, s, a)
	}); err != nil {
		return err
	}
	if err := u.gatherFittings(ctx, g, s); err != nil {
		return err
	}
	if err := u.gatherFlown(ctx, g, s); err != nil {
		return err
	}
	return u.gatherTools(ctx, g, s)
}

// gatherRecord adds a record of work done by the day asked about, with its documents.
func (u unit) gatherRecord(ctx context.Context, g *gathered, s seen, a *compliancev1.Accomplishment) (err error) {
	if s.today.Before(dateOf(a.GetDoneDate())) {
		return nil
	}
	one := &compliancev1.Evidence{Kind: kindOfRecord(a), Accomplishment: a}
	if a.GetWorkOrder() != "" {
		if one.Documents, err = store.DocumentsKnown(ctx, u.Tx, a.GetWorkOrder(), s.known); err != nil {
			return err
		}
	}
	g.recorded = append(g.recorded, a.GetName())
	return g.records.add(one)
}

// gatherFittings adds what a subject was fitted to, and what to it, but for fittings that name a thing of another's.
func (u unit) gatherFittings(ctx context.Context, g *gathered, s seen) error {
	fitted, err := store.FittedKnown(ctx, u.Tx, s.subject.GetName(), s.known)
	for _, f := range fitted {
		mine, err := u.mine(ctx, f.GetItem(), f.GetHost())
		if err != nil {
			return err
		}
		if !mine {
			g.left++
			continue
		}
		if from := dateOf(f.GetInstallDate()); !g.named[f.GetName()] && !s.today.Before(from) {
			g.named[f.GetName()] = true
			g.fittings = append(g.fittings, asOf(f, s.today))
		}
	}
	return err
}

// gatherFlown adds what a subject counted of every entry of flying.
func (u unit) gatherFlown(ctx context.Context, g *gathered, s seen) error {
	entries, err := store.EntriesOf(ctx, u.Tx, s.subject.GetName(), s.today.String(), s.known)
	for _, e := range entries {
		mine, err := u.mine(ctx, e.Name)
		if err != nil {
			return err
		}
		if !mine {
			e.Name = elsewhere
		}
		if err := g.flown.add([]string{
			label(s.subject), e.Day, span(e.Seconds), strconv.FormatInt(e.Cycles, 10), strconv.FormatInt(e.Starts, 10), strconv.FormatInt(e.Landings, 10), e.Name,
		}); err != nil {
			return err
		}
	}
	return err
}

// gatherTools adds what tools were used on an engine, as it was told by then.
func (u unit) gatherTools(ctx context.Context, g *gathered, s seen) error {
	engine, is := s.subject.(*compliancev1.Engine)
	if !is {
		return nil
	}
	uses, err := store.ToolUses.Where(ctx, u.Tx, "engine = $1 ORDER BY use_time, name", engine.GetName())
	for _, use := range uses {
		if use.GetCreateTime().AsTime().After(s.known) || use.GetUseTime().AsTime().After(s.at) {
			continue
		}
		tool, _, _ := strings.Cut(use.GetName(), "/toolUses/")
		if err := g.tools.add([]string{
			label(engine), stamp(use.GetUseTime()), tool, use.GetWorkOrder(), use.GetMeasurement(), use.GetPerson(), use.GetCalibration(),
		}); err != nil {
			return err
		}
	}
	return err
}

// asOf is a fitting on a day: what came off later was still on.
func asOf(f *compliancev1.Fitting, day civil.Date) *compliancev1.Fitting {
	if off := dateOf(f.GetRemoveDate()); !off.IsZero() && day.Before(off) {
		f.RemoveDate, f.RemoveTime, f.RemoveReason = nil, nil, ""
	}
	return f
}

// chain adds the entries of the record chains about all of this, and where each chain had come to.
func (u unit) chain(ctx context.Context, g *gathered, all []seen, known time.Time) error {
	about := map[string][]string{"accomplishments": g.recorded}
	for _, f := range g.fittings {
		about["fittings"] = append(about["fittings"], f.GetName())
	}
	for _, item := range g.status.GetDueItems() {
		about["extensions"] = append(about["extensions"], item.GetName())
	}
	for _, s := range g.status.GetRequirementStatuses() {
		about["applicability"] = append(about["applicability"], s.GetRequirement())
	}
	for _, s := range all {
		about["components"] = append(about["components"], s.subject.GetName())
	}
	about["entries"] = slices.Clone(about["components"]) // corrections of what a thing was entered with; each list is sorted in place
	for _, stream := range []string{"accomplishments", "applicability", "components", "entries", "extensions", "fittings"} {
		names := about[stream]
		slices.Sort(names)
		err := recordchain.EachProof(ctx, u.Tx, stream, slices.Compact(names), known, func(p recordchain.Proof) error { return u.addProof(ctx, g, p) })
		if err != nil {
			return err
		}
		h := recordpack.Head{Stream: stream}
		if h.Position, h.Hash, err = recordchain.Last(ctx, u.Tx, stream, known); err != nil {
			return err
		}
		g.heads = append(g.heads, h)
	}
	return nil
}

// addProof adds an entry of a chain, but for a decision about another subject and one that names a thing of another's.
func (u unit) addProof(ctx context.Context, g *gathered, p recordchain.Proof) error {
	if p.Stream == "applicability" && !g.decidedHere(p) {
		return nil
	}
	mine, err := u.mayName(ctx, p)
	if err != nil {
		return err
	}
	if !mine {
		g.left++
		return nil
	}
	return g.entries.add(p)
}

// decidedHere reports whether a decision is about a subject of the pack.
func (g *gathered) decidedHere(p recordchain.Proof) bool {
	return slices.ContainsFunc(p.Said, func(s recordchain.Said) bool { return s.Name == "engine" && g.labels[s.Value] != "" })
}

// files are the files of the pack, besides its index. None is held: each is written when it is measured, and once more into the pack.
func (g *gathered) files() (all []recordpack.File, err error) {
	add := func(path, media string, write func(io.Writer) error) {
		f, failed := recordpack.Streamed(path, media, write)
		all, err = append(all, f), cmp.Or(err, failed)
	}
	add("status.json", "application/json", func(w io.Writer) error {
		content, err := plainJSON(g.status)
		if err != nil {
			return err
		}
		_, err = w.Write(content)
		return err
	})
	add("records.json", "application/json", g.records.write)
	add("fittings.json", "application/json", plainList(g.fittings))
	add(recordpack.ChainFile, "application/json", g.writeChains)
	for _, t := range g.tables {
		add(t.name+".csv", sheet.CSV.MediaType(), func(w io.Writer) error { return t.write(w, sheet.CSV) })
	}
	return all, err
}

// writeChains writes the entries of the chains; none are null, as in a list that nobody began.
func (g *gathered) writeChains(w io.Writer) error {
	if g.entries.Len() == 0 {
		return recordpack.WriteEntries(w, g.heads, nil)
	}
	return recordpack.WriteEntries(w, g.heads, g.entries.each())
}

// plainJSON is a message as the API writes it, always with the same bytes: what writes it puts spaces here and there.
func plainJSON(m proto.Message) ([]byte, error) {
	loose, err := protojson.Marshal(m)
	if err != nil {
		return nil, err
	}
	var out bytes.Buffer
	err = json.Indent(&out, loose, "", "  ")
	out.WriteByte('\n')
	return out.Bytes(), err
}

// plainList writes messages as a list, one after the other.
func plainList[M proto.Message](all []M) func(io.Writer) error {
	return func(w io.Writer) error {
		return recordpack.WriteList(w, func(yield func(any, error) bool) {
			for _, m := range all {
				one, err := plainJSON(m)
				if !yield(json.RawMessage(one), err) {
					return
				}
			}
		})
	}
}

// stamp is an instant in UTC, as RFC 3339 writes it.
func stamp(t *timestamppb.Timestamp) string { return t.AsTime().UTC().Format(time.RFC3339Nano) }
