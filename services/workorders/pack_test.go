package workorders_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/printing/printingtest"
	"coldsection.example/services/platform/storage"
)

func (s *stage) export(o *workordersv1.WorkOrder, format workordersv1.ExportWorkPackRequest_Format) *workordersv1.ExportWorkPackResponse {
	s.t.Helper()
	out := must[*workordersv1.ExportWorkPackResponse](s)(s.look.ExportWorkPack(s.as("quinn"), &workordersv1.ExportWorkPackRequest{Name: o.GetName(), Format: format}))
	sum := sha256.Sum256(out.GetContent())
	if out.GetSha256() != hex.EncodeToString(sum[:]) || !strings.HasPrefix(out.GetFileName(), o.GetNumber()) {
		s.t.Errorf("%s has the hash %s", out.GetFileName(), out.GetSha256())
	}
	if dir := os.Getenv("COLDSECTION_TEST_KEEP"); dir != "" { // for a person to look at
		if err := os.WriteFile(filepath.Join(dir, out.GetFileName()), out.GetContent(), 0o600); err != nil {
			s.t.Fatal(err)
		}
	}
	return out
}

// full is a wash with everything that a pack can hold, released.
func (s *stage) full() *workordersv1.WorkOrder {
	s.t.Helper()
	o := s.washed(func(w *wash) {
		w.runs[1].Aborted = true
		w.runs[1].StartTime = timestamppb.New(w.runs[1].GetStartTime().AsTime().Add(-15 * time.Second))
		w.left, w.why = "Let it soak", "data of this engine want none"
	})
	kept := must[*workordersv1.Attachment](s)(s.do.CreateAttachment(s.as("ann"), &workordersv1.CreateAttachmentRequest{
		Parent: o.GetName(), Attachment: &workordersv1.Attachment{MediaType: "image/png", Content: photo(s.t)},
	}))
	f := must[*workordersv1.Finding](s)(s.do.CreateFinding(s.as("ann"), &workordersv1.CreateFindingRequest{
		Parent: o.GetName(), Finding: &workordersv1.Finding{Description: "Scratch on the cowl, 12 mm", PhotoSha256: []string{kept.GetSha256()}},
	}))
	must[*workordersv1.Finding](s)(s.answer(f, workordersv1.Finding_DEFER, "repair data 51-10", &date.Date{Year: 2026, Month: 6, Day: 1}))
	must[*workordersv1.LabourEntry](s)(s.worked(o, "ann", 8*60, 9*60+20))
	must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
	must[*workordersv1.WorkOrder](s)(s.inspect(o, "ian", ""))
	return must[*workordersv1.WorkOrder](s)(s.release(o))
}

// The pack of a released wash is sound PDF/A and says everything: plan with every number in both systems, cautions before their step,
// readings with limits and tools, lots, runs, deferrals, signatures with their checks, and that figures are to be confirmed.
func TestTheWorkPackSaysEverything(t *testing.T) {
	s := open(t, storage.Config{Engine: storage.SQLite, Path: filepath.Join(t.TempDir(), "w.db")})
	o := s.full()
	out := s.export(o, workordersv1.ExportWorkPackRequest_PDF)
	printingtest.CheckArchive(t, out.GetContent())
	pages := printingtest.Text(t, out.GetContent())
	if n := strings.Count(pages, "\f"); n > 9 {
		t.Errorf("the pack takes %d pages; each of them is to be full", n)
	}
	if first, _, _ := strings.Cut(pages, "\f"); !strings.Contains(first, "rinse run") || !strings.Contains(first, "drying run") {
		t.Error("the timeline of the plan does not stand on the first page")
	}
	text := strings.Join(strings.Fields(pages), " ")
	record := s.export(o, workordersv1.ExportWorkPackRequest_JSON)
	for _, words := range []string{
		o.GetNumber(), "Calculated, to be confirmed against approved data", "2000 mL (67.6 US fl oz)", "262.0 kPa (38.0 psi)", "12.0 °C (53.6 °F)", "4 parts of water to 1 of cleaner",
		"US gal/min", "at least 100 kPa", "Treat the propeller as live", "Broken off", "EXCEEDANCE", "Scratch on the cowl, 12 mm", "repair data 51-10",
		"2026-06-01", "lots/mix", "tools/pressure-gauge", "through 20261231, asked", "3 out, 3 back", "1:20:00 h (1.33 h)", "Name of people/ian", "C-people/rob",
		"covers the record as it stands", "data of this engine want none", record.GetSha256()[:8], record.GetSha256(), "Page 1 of",
	} {
		if !strings.Contains(text, words) {
			t.Errorf("the pack does not say %q", words)
		}
	}
	for _, step := range s.steps(o) {
		title := strings.Index(text, step.GetTitle())
		if len(step.GetCautions()) == 0 {
			continue
		}
		caution := strings.Index(text[title:], step.GetCautions()[0].GetText()[:20])
		if instruction := strings.Index(text[title:], step.GetInstruction()[:min(20, len(step.GetInstruction()))]); title < 0 || caution < 0 || instruction < caution {
			t.Errorf("the caution of %q does not come before its instruction", step.GetTitle())
		}
	}
	if again := s.export(o, workordersv1.ExportWorkPackRequest_PDF); !bytes.Equal(again.GetContent(), out.GetContent()) {
		t.Error("the same record at the same time gives other bytes")
	}
}

// The JSON form holds the messages of the contract, gives the same bytes for the same record, and changes with it.
func TestTheWorkPackForMachines(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.full()
		out := s.export(o, workordersv1.ExportWorkPackRequest_JSON)
		var d struct {
			Notice    string `json:"notice"`
			WorkOrder struct {
				Number string `json:"number"`
				State  string `json:"state"`
			} `json:"workOrder"`
			Steps      []json.RawMessage `json:"steps"`
			Labour     int64             `json:"labourSeconds"`
			Signatures []struct {
				Signature struct {
					ContentHash string `json:"contentHash"`
					Statement   string `json:"statement"`
				} `json:"signature"`
				Valid bool `json:"valid"`
			} `json:"signatures"`
		}
		if err := json.Unmarshal(out.GetContent(), &d); err != nil {
			t.Fatal(err)
		}
		if d.WorkOrder.Number != o.GetNumber() || d.WorkOrder.State != "RELEASED" || len(d.Steps) != len(s.steps(o)) || d.Labour != 4800 || len(d.Signatures) != 3 || d.Notice == "" {
			t.Errorf("%+v", d)
		}
		for _, sig := range d.Signatures {
			if !sig.Valid || len(sig.Signature.ContentHash) != 64 || sig.Signature.Statement == "" {
				t.Errorf("%+v", sig)
			}
		}
		if again := s.export(o, workordersv1.ExportWorkPackRequest_JSON); !bytes.Equal(again.GetContent(), out.GetContent()) {
			t.Error("the same record gives other bytes")
		}
		_, err := s.look.ExportWorkPack(s.as("quinn"), &workordersv1.ExportWorkPackRequest{Name: "workOrders/none", Format: workordersv1.ExportWorkPackRequest_PDF})
		s.refused(err, "NOT_FOUND")
	})
}

// The fallback sheet is sound PDF/A, a scanner reads the order from it, its cautions and limits are there, and it says that it is no
// record and no release.
func TestTheFallbackSheet(t *testing.T) {
	s := open(t, storage.Config{Engine: storage.SQLite, Path: filepath.Join(t.TempDir(), "w.db")})
	o := s.kitted("recovery-wash")
	out := s.export(o, workordersv1.ExportWorkPackRequest_FALLBACK_SHEET)
	printingtest.CheckArchive(t, out.GetContent())
	if got := printingtest.QR(t, printingtest.Render(t, out.GetContent(), 1, 150)); got != o.GetName() {
		t.Errorf("the code says %q", got)
	}
	pages := printingtest.Text(t, out.GetContent())
	first, rest, _ := strings.Cut(pages, "\f")
	if n := strings.Count(pages, "\f"); n > 5 || strings.Count(first, "another run") != 3 || strings.Contains(rest, "another run") {
		t.Errorf("the sheet takes %d pages, of which each is to be full, and its runs stand on more than the first", n)
	}
	text := strings.Join(strings.Fields(pages), " ")
	for _, words := range []string{
		"this sheet is no record and no release", "Calculated, to be confirmed against approved data", "Treat the propeller as live", "at least 100 kPa, at most 420 kPa", "Lot and amount",
		"Went out, came back", "Signature", "soak to 13:54", "Work stopped", "2000 mL (67.6 US fl oz)",
	} {
		if !strings.Contains(text, words) {
			t.Errorf("the sheet does not say %q", words)
		}
	}
	plain := s.export(s.kitted("sense-line-heater-check"), workordersv1.ExportWorkPackRequest_FALLBACK_SHEET)
	printingtest.CheckArchive(t, plain.GetContent())
}
