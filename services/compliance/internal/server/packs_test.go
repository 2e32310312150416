package server_test

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/csv"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/printing/printingtest"
	"coldsection.example/services/platform/recordpack"
	"coldsection.example/services/platform/storage"
)

// packed makes a pack of a subject and reads it back. Another process takes the work up, as after a restart.
func (w *world) packed(subject string, at, known time.Time) (*compliancev1.RecordPack, []byte) {
	w.t.Helper()
	begun := must(w.packs.CreateRecordPack(w.as("quality"), &compliancev1.CreateRecordPackRequest{
		RecordPack: &compliancev1.RecordPack{Subject: subject, AsOfTime: timestamppb.New(at), KnownAtTime: timestamppb.New(known)},
	}))(w.t)
	if begun.GetDone() {
		w.t.Fatal("the operation is done before any work")
	}
	after := w.restarted()
	for range 5 {
		if _, err := after.Operations.Once(w.t.Context()); err != nil {
			w.t.Fatal(err)
		}
	}
	done := must(w.operations.GetOperation(w.as("quality"), &operationsv1.GetOperationRequest{Name: begun.GetName()}))(w.t)
	pack := &compliancev1.RecordPack{}
	if err := done.GetResponse().UnmarshalTo(pack); err != nil {
		w.t.Fatalf("%v: %v", done, err)
	}
	file := must(w.packs.DownloadRecordPack(w.as("quality"), &compliancev1.DownloadRecordPackRequest{Name: pack.GetName()}))(w.t)
	if file.GetMediaType() != "application/zip" || file.GetFileName() != pack.GetNumber()+".zip" || recordpack.Sum(file.GetContent()) != pack.GetSha256() {
		w.t.Errorf("%s %s, %v", file.GetMediaType(), file.GetFileName(), pack)
	}
	if parts := w.inParts(pack.GetName(), 9973); !bytes.Equal(parts, file.GetContent()) {
		w.t.Errorf("in parts it has %d bytes, whole %d", len(parts), len(file.GetContent()))
	}
	return pack, file.GetContent()
}

// unpacked are the files of a pack.
func unpacked(t testing.TB, pack []byte) map[string]string {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(pack), int64(len(pack)))
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]string{}
	for _, f := range z.File {
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		content, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		all[f.Name] = string(content)
	}
	return all
}

// audited is a world with records of several kinds: a corrected entry, a release with a document, a swap of engines.
func audited(w *world) {
	w.t.Helper()
	wash(w)
	w.require("directive", compliancev1.Requirement_DIRECTIVE, 500)
	w.clock.Advance(24 * time.Hour)
	w.attached("workOrders/7")
	w.released("workOrders/7", "engines/one")
	w.clock.Advance(24 * time.Hour)
}

// A pack says how a thing stood and what shows it, verifies from its bytes alone, and is the same again from the same state, also after
// a later correction (checks QUA-02, QUA-04, QUA-01).
func TestARecordPackProvesItselfAndIsTheSameAgain(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		audited(w)
		at := w.clock.Now()
		w.clock.Advance(time.Hour)
		pack, file := w.packed("aircraft/plane", at, at)
		r := recordpack.Verify(file, pack.GetPublicKey())
		if len(r.Faults) > 0 || r.Subject != "aircraft/plane" || r.Entries < 2 || r.Files != int(pack.GetFileCount()) {
			t.Fatalf("%+v", r)
		}
		files := unpacked(t, file)
		for path, want := range map[string]string{
			"records.json": `"releaseHash": "release-hash"`, "records.csv": "workOrders/7", "fittings.csv": "D-1001,DEMO-1", "directives.csv": "directive",
			"last-and-next.csv": "wash", "status.json": `"asOfTime": "2026-03-04T09:00:00Z"`, "chain.json": `"stream": "accomplishments"`,
			"life-limits.csv": "part_number", "open-findings.csv": "original_date", "fittings.json": "engines/one", recordpack.Manifest: "index.pdf",
		} {
			if !strings.Contains(files[path], want) {
				t.Errorf("%s lacks %q:\n%s", path, want, files[path])
			}
		}
		if !strings.Contains(files["records.json"], sha) {
			t.Error("the document of the order is not named with its hash")
		}
		w.clock.Advance(48 * time.Hour)
		w.released("workOrders/8", "engines/one")
		again, same := w.packed("aircraft/plane", at, at)
		if again.GetContentSha256() != pack.GetContentSha256() || !bytes.Equal(same, file) || again.GetName() == pack.GetName() {
			t.Errorf("the same question has another answer: %v, %v", pack, again)
		}
		now := w.clock.Now()
		later, _ := w.packed("aircraft/plane", now, now)
		if later.GetContentSha256() == pack.GetContentSha256() {
			t.Error("a later record changes nothing")
		}
		if list := must(w.packs.ListRecordPacks(w.as("quality"), &compliancev1.ListRecordPacksRequest{Filter: `subject = "aircraft/plane"`}))(t); len(list.GetRecordPacks()) != 3 {
			t.Errorf("%v", list)
		}
	})
}

// Whatever is changed in a real pack is seen and named.
func TestAChangedRecordPackIsNamed(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		audited(w)
		pack, file := w.packed("engines/one", w.clock.Now(), w.clock.Now())
		z, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range z.File {
			from, err := f.DataOffset()
			if err != nil {
				t.Fatal(err)
			}
			for _, at := range []int64{0, int64(f.UncompressedSize64) / 2, int64(f.UncompressedSize64) - 1} {
				bad := bytes.Clone(file)
				bad[from+at] ^= 1
				r := recordpack.Verify(bad, pack.GetPublicKey())
				if len(r.Faults) == 0 || r.Faults[0].Path != f.Name {
					t.Errorf("byte %d of %s: %v", at, f.Name, r.Faults)
				}
			}
		}
	})
}

// The index is archive PDF with number, hash and page on every page (checks QUA-03 and QUA-08).
func TestTheIndexOfAPackIsAnArchive(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		audited(w)
		pack, file := w.packed("aircraft/plane", w.clock.Now(), w.clock.Now())
		index := []byte(unpacked(t, file)["index.pdf"])
		printingtest.CheckArchive(t, index)
		text := printingtest.Text(t, index)
		pages := len(printingtest.PageSizes(t, index))
		for _, onEach := range []string{pack.GetNumber(), pack.GetContentSha256()[:16], "Page "} {
			if strings.Count(text, onEach) < pages {
				t.Errorf("%q stands %d times on %d pages", onEach, strings.Count(text, onEach), pages)
			}
		}
		for _, want := range []string{"open", "Directives", "workOrders/7", recordpack.Sum([]byte(unpacked(t, file)["records.csv"]))[:16]} {
			if !strings.Contains(strings.ToUpper(text), strings.ToUpper(want)) {
				t.Errorf("the index lacks %q:\n%s", want, text)
			}
		}
	})
}

// The lists of a pack are CSV that other programs read, and no cell in them is a formula (check QUA-05).
func TestTheListsOfAPackAreSafeCSV(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		audited(w)
		must(w.commands.CreateAccomplishment(w.as("quality"), &compliancev1.CreateAccomplishmentRequest{
			Parent: "requirements/wash", ReauthenticationToken: w.proof(), Accomplishment: &compliancev1.Accomplishment{
				Subject: "engines/one", DoneDate: on(2026, 3, 3), Counters: counters, LateEntryReason: "found", DocumentReference: `=HYPERLINK("x"),"y"`, Method: "-by hand",
			},
		}))(t)
		_, file := w.packed("engines/one", w.clock.Now(), w.clock.Now())
		for path, content := range unpacked(t, file) {
			if !strings.HasSuffix(path, ".csv") {
				continue
			}
			rows, err := csv.NewReader(strings.NewReader(strings.TrimPrefix(content, "\ufeff"))).ReadAll()
			if err != nil || len(rows) == 0 || !strings.Contains(content, "\r\n") {
				t.Errorf("%s: %v", path, err)
			}
			for _, row := range rows {
				for _, cell := range row {
					if strings.HasPrefix(cell, "=") || strings.HasPrefix(cell, "@") || strings.HasPrefix(cell, "+") {
						t.Errorf("%s: %q is a formula", path, cell)
					}
				}
			}
		}
		if out := elsewhere(t, file); !strings.Contains(out, "HYPERLINK") {
			t.Errorf("another program reads %s", out)
		}
	})
}

// elsewhere reads the records of a pack with another program.
func elsewhere(t *testing.T, file []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "pack.zip")
	if err := os.WriteFile(path, file, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), "python3", "-c",
		"import sys,zipfile,csv,io\nz=zipfile.ZipFile(sys.argv[1])\nprint(list(csv.DictReader(io.TextIOWrapper(z.open('records.csv'),'utf-8-sig',newline=''))))", path).CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v", out, err)
	}
	return string(out)
}

// What can't be packed is refused at once, a dry run keeps nothing (check API-20), and only quality staff make packs.
func TestRefusedRecordPacks(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		create := func(p *compliancev1.RecordPack, dry bool, roles ...string) error {
			_, err := w.packs.CreateRecordPack(w.as(roles...), &compliancev1.CreateRecordPackRequest{RecordPack: p, RecordPackId: "a", ValidateOnly: dry})
			return err
		}
		for _, dry := range []bool{true, false} {
			refused(t, create(&compliancev1.RecordPack{Subject: "engines/none"}, dry, "quality"), "NOT_FOUND")
			refused(t, create(&compliancev1.RecordPack{Subject: "engines/one", AsOfTime: timestamppb.New(start.AddDate(1, 0, 0))}, dry, "quality"), "TIME_IN_FUTURE")
			refused(t, create(&compliancev1.RecordPack{Subject: "engines/one", KnownAtTime: timestamppb.New(start.AddDate(-1, 0, 0))}, dry, "quality"), "NOT_KNOWN_THEN")
		}
		refused(t, create(&compliancev1.RecordPack{Subject: "engines/one"}, false, "planner"), "ROLE_MISSING")
		if err := create(&compliancev1.RecordPack{Subject: "engines/one"}, true, "quality"); err != nil || w.rows("SELECT COUNT(*) FROM operations") != 0 {
			t.Errorf("a dry run: %v", err)
		}
		w.packed("engines/one", w.clock.Now(), w.clock.Now())
	})
}

// A pack of an engine has every entry of flying that it counted and every tool that was used on it, as they were known: neither what came
// later nor a correction that was not known yet changes it.
func TestAPackHasTheFlyingAndTheToolsThatWereUsed(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		audited(w)
		w.gauge()
		flown := w.fly(3)
		w.happens(func(ctx context.Context, tx *storage.Tx) error {
			return w.restarted().Measured(ctx, tx, &workordersv1.MeasurementRecorded{WorkOrder: "workOrders/9", Engine: "engines/one", Measurement: &workordersv1.Measurement{
				Name: "workOrders/9/measurements/m", Tool: "tools/gauge", ToolCalibration: "C-1", Person: "people/ada", MeasureTime: timestamppb.New(w.clock.Now()),
			}})
		})
		w.clock.Advance(time.Hour)
		at := w.clock.Now()
		w.clock.Advance(time.Hour)
		pack, file := w.packed("engines/one", at, at)
		files := unpacked(t, file)
		for path, want := range map[string]string{"flying.csv": "3:00,1,", "tool-uses.csv": "tools/gauge,workOrders/9,workOrders/9/measurements/m,people/ada,C-1"} {
			if !strings.Contains(files[path], want) {
				t.Errorf("%s lacks %q:\n%s", path, want, files[path])
			}
		}
		if !strings.Contains(files["flying.csv"], flown.GetName()) {
			t.Errorf("the entry is not named:\n%s", files["flying.csv"])
		}
		w.fly(5)
		if again, _ := w.packed("engines/one", at, at); again.GetContentSha256() != pack.GetContentSha256() {
			t.Error("later flying changes the pack")
		}
		now := w.clock.Now()
		if _, later := w.packed("engines/one", now, now); strings.Count(unpacked(t, later)["flying.csv"], "utilizations/") != 2 {
			t.Errorf("later:\n%s", unpacked(t, later)["flying.csv"])
		}
	})
}
