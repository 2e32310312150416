package workorders_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"image"
	"image/png"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

func day(text string) *date.Date {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return nil
	}
	return &date.Date{Year: int32(t.Year()), Month: int32(t.Month()), Day: int32(t.Day())}
}

// put puts a finding off under a category.
func (s *stage) put(f *workordersv1.Finding, category, placard, limit string) (*workordersv1.Finding, error) {
	return s.do.AnswerFinding(s.as("ann"), &workordersv1.AnswerFindingRequest{
		Name: f.GetName(), Disposition: workordersv1.Finding_DEFER, Answer: "put off", Basis: "approved list", Category: category, Placard: placard, LimitDate: day(limit),
	})
}

// Cases DEF-01, DEF-02, DEF-03 (repair categories, the day of discovery not counted; from memory) and DEF-05 (14 CFR 91.405(c): until
// the next required inspection, with a placard): the last day follows from the category, a later one is refused, and a fact of its
// own tells it with aircraft and zone, so that it can be kept among what is due.
func TestDeferralCases(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		rows := cases(t)
		for _, id := range []string{"DEF-01", "DEF-02", "DEF-03", "DEF-05"} {
			row := rows[id]
			if found, err := time.Parse(time.DateOnly, row["found"]); err == nil {
				s.clock.Set(found.Add(8 * time.Hour))
			}
			o := s.under("ring-flow-check", "faa-maintenance")
			f := s.found(o, "Dent")
			category, given, placard := row["category"], "", ""
			if id == "DEF-05" {
				category, given, placard = row["basis"], row["next_required_inspection"], "INOPERATIVE"
				_, err := s.put(f, category, "", given)
				s.refused(err, "PLACARD_MISSING")
			} else {
				_, err := s.put(f, category, "", day2(row["rectify_by"], 1))
				s.refused(err, "DEFERRAL_TOO_LONG", row["rectify_by"])
			}
			f = must[*workordersv1.Finding](s)(s.put(f, category, placard, given))
			if got := resource.DateText(f.GetLimitDate()); got != row["rectify_by"] || f.GetPlacard() != placard || f.GetDeferralCategory() != category {
				t.Errorf("%s: until %s, want %s", id, got, row["rectify_by"])
			}
			facts := s.facts(o)
			if !slices.Equal(facts[len(facts)-2:], []string{"finding.deferred", "finding.answered"}) {
				t.Errorf("%s: %v", id, facts)
			}
			told := s.told(o, "finding.deferred")
			for _, part := range []string{`"aircraft":"aircraft/a1"`, `"timeZone":"Asia/Tokyo"`, `"limitDate"`} {
				if !strings.Contains(told, part) {
					t.Errorf("%s is told as %s", id, told)
				}
			}
		}
		_, err := s.put(s.found(s.started("ring-flow-check"), "Dent"), "C", "", "")
		s.refused(err, "CATEGORY_UNKNOWN", "regimes/general")
	})
}

// day2 is a day and so many more.
func day2(text string, days int) string {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return ""
	}
	return t.AddDate(0, 0, days).Format(time.DateOnly)
}

// Case DEF-04 (AMC M.A.403(d)): a finding carried to a new order keeps the day on which it was first found, and its limit counts
// from there.
func TestACarriedFindingKeepsItsFirstDay(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		row := cases(t)["DEF-04"]
		found, err := time.Parse(time.DateOnly, row["original_found"])
		if err != nil {
			t.Fatal(err)
		}
		s.clock.Set(found.Add(8 * time.Hour))
		first := s.found(s.under("ring-flow-check", "faa-maintenance"), "Dent")
		s.clock.Advance(8 * 24 * time.Hour)
		o := s.under("ring-flow-check", "faa-maintenance")
		carry := func(predecessor string) (*workordersv1.Finding, error) {
			return s.do.CreateFinding(s.as("ann"), &workordersv1.CreateFindingRequest{Parent: o.GetName(), Finding: &workordersv1.Finding{Description: "Dent", Predecessor: predecessor}})
		}
		_, err = carry("workOrders/x/findings/none")
		s.refused(err, "FINDING_UNKNOWN")
		second := must[*workordersv1.Finding](s)(carry(first.GetName()))
		if got := resource.DateText(second.GetOriginalDate()); got != row["found_date_kept"] {
			t.Errorf("first found %s, want %s", got, row["found_date_kept"])
		}
		second = must[*workordersv1.Finding](s)(s.put(second, "C", "", ""))
		if got := resource.DateText(second.GetLimitDate()); got != "2025-06-20" {
			t.Errorf("until %s", got)
		}
	})
}

// Case SGN-10 (145.A.50(a) and its AMC): what endangers flight is neither put off nor left to the customer, and no release is made
// before it was put right and closed by another person.
func TestWhatEndangersFlightIsPutRight(t *testing.T) {
	engines(t, func(_ *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		s.work(o, "ann")
		f := must[*workordersv1.Finding](s)(s.do.CreateFinding(s.as("ann"), &workordersv1.CreateFindingRequest{
			Parent: o.GetName(), Finding: &workordersv1.Finding{Description: "Crack in the case", FlightSafety: true},
		}))
		_, err := s.answer(f, workordersv1.Finding_DEFER, "data", day("2026-06-01"))
		s.refused(err, "FLIGHT_SAFETY")
		_, err = s.answer(f, workordersv1.Finding_CUSTOMER_DECISION, "", nil)
		s.refused(err, "FLIGHT_SAFETY")
		must[*workordersv1.Finding](s)(s.answer(f, workordersv1.Finding_RECTIFY, "", nil))
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		_, err = s.release(o)
		s.refused(err, "FINDING_OPEN")
		must[*workordersv1.Finding](s)(s.do.CloseFinding(s.as("ivy"), &workordersv1.CloseFindingRequest{Name: f.GetName(), Note: "replaced, tight"}))
		must[*workordersv1.WorkOrder](s)(s.release(o))
	})
}

// What the customer agrees to is put right before the release; what the customer declines is stated in it.
func TestTheCustomerDecides(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		s.work(o, "ann")
		paint, hose := s.found(o, "Paint is worn"), s.found(o, "Hose is old")
		decide := func(f *workordersv1.Finding, v workordersv1.CustomerDecision_Verdict) (*workordersv1.Finding, error) {
			return s.do.DecideFinding(s.as("pat"), &workordersv1.DecideFindingRequest{
				Name: f.GetName(), Decision: &workordersv1.CustomerDecision{Verdict: v, Reference: "letter of 2026-03-14", Person: "people/forged"},
			})
		}
		_, err := decide(paint, workordersv1.CustomerDecision_DECLINED)
		s.refused(err, "STATE_NOT_ALLOWED")
		for _, f := range []*workordersv1.Finding{paint, hose} {
			must[*workordersv1.Finding](s)(s.answer(f, workordersv1.Finding_CUSTOMER_DECISION, "", nil))
		}
		_, err = decide(paint, workordersv1.CustomerDecision_VERDICT_UNSPECIFIED)
		s.refused(err, "VERDICT_MISSING")
		if f := must[*workordersv1.Finding](s)(decide(paint, workordersv1.CustomerDecision_DECLINED)); f.GetCustomerDecision().GetPerson() != "people/pat" {
			t.Errorf("recorded by %s", f.GetCustomerDecision().GetPerson())
		}
		must[*workordersv1.Finding](s)(decide(hose, workordersv1.CustomerDecision_AGREED))
		_, err = decide(hose, workordersv1.CustomerDecision_DECLINED)
		s.refused(err, "STATE_NOT_ALLOWED")
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		_, err = s.release(o)
		s.refused(err, "FINDING_OPEN", hose.GetName())
		must[*workordersv1.Finding](s)(s.do.CloseFinding(s.as("ivy"), &workordersv1.CloseFindingRequest{Name: hose.GetName()}))
		o = must[*workordersv1.WorkOrder](s)(s.release(o))
		if !strings.Contains(o.GetReleaseStatement(), "Paint is worn, declined by the customer (letter of 2026-03-14)") || strings.Contains(o.GetReleaseStatement(), "Hose") {
			t.Error(o.GetReleaseStatement())
		}
	})
}

// photo is a picture of one pixel.
func photo(t testing.TB) []byte {
	t.Helper()
	var file bytes.Buffer
	if err := png.Encode(&file, image.NewGray(image.Rect(0, 0, 1, 1))); err != nil {
		t.Fatal(err)
	}
	return file.Bytes()
}

// A photograph is kept by the hash of its bytes, once; what is of another type than it says, too big, or not what was sent off is
// refused; a finding refers to what is kept, in its signed content too.
func TestPhotographsAreKeptByHash(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o, content := s.started("ring-flow-check"), photo(t)
		sum := sha256.Sum256(content)
		hash := hex.EncodeToString(sum[:])
		attach := func(a *workordersv1.Attachment) (*workordersv1.Attachment, error) {
			return s.do.CreateAttachment(s.as("ann"), &workordersv1.CreateAttachmentRequest{Parent: o.GetName(), Attachment: a})
		}
		report := func() (*workordersv1.Finding, error) {
			return s.do.CreateFinding(s.as("ann"), &workordersv1.CreateFindingRequest{
				Parent: o.GetName(), Finding: &workordersv1.Finding{Description: "Crack", PhotoSha256: []string{strings.ToUpper(hash)}},
			})
		}
		_, err := report()
		s.refused(err, "PHOTO_UNKNOWN", "Add its bytes first")
		for reason, bad := range map[string]*workordersv1.Attachment{
			"ATTACHMENT_TYPE": {MediaType: "image/jpeg", Content: content}, "ATTACHMENT_HASH": {MediaType: "image/png", Content: content, Sha256: strings.Repeat("0", 64)},
		} {
			_, err = attach(bad)
			s.refused(err, reason)
		}
		for _, bad := range []*workordersv1.Attachment{
			{MediaType: "text/html", Content: []byte("<script>alert(1)</script>")}, {MediaType: "image/svg+xml", Content: []byte("<svg onload='x'/>")},
			{MediaType: "image/png"}, {MediaType: "image/png", Content: make([]byte, 8<<20+1)},
		} {
			if _, err := attach(bad); err == nil {
				t.Errorf("%s of %d bytes was kept", bad.GetMediaType(), len(bad.GetContent()))
			}
		}
		kept := must[*workordersv1.Attachment](s)(attach(&workordersv1.Attachment{MediaType: "image/png", Content: content, Sha256: hash}))
		again := must[*workordersv1.Attachment](s)(attach(&workordersv1.Attachment{MediaType: "image/png", Content: content}))
		if kept.GetName() != again.GetName() || kept.GetSha256() != hash || kept.GetPerson() != "people/ann" || s.count("attachments") != 1 || s.count("attachment_bytes") != 1 {
			t.Errorf("kept %v, again %v", kept, again)
		}
		read := must[*workordersv1.Attachment](s)(s.look.GetAttachment(s.as("quinn"), &workordersv1.GetAttachmentRequest{Name: kept.GetName()}))
		list := must[*workordersv1.ListAttachmentsResponse](s)(s.look.ListAttachments(s.as("quinn"), &workordersv1.ListAttachmentsRequest{Parent: o.GetName()})).GetAttachments()
		if !slices.Equal(read.GetContent(), content) || len(list) != 1 || len(list[0].GetContent()) != 0 || list[0].GetByteCount() != int64(len(content)) {
			t.Errorf("read %d bytes, list %v", len(read.GetContent()), list)
		}
		if f := must[*workordersv1.Finding](s)(report()); f.GetPhotoSha256()[0] != hash {
			t.Error(f.GetPhotoSha256())
		}
	})
}

// Fault C17: what a browser would run is kept under no type, its own or another's.
func TestWhatCarriesAScriptIsNoAttachment(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		for _, c := range []struct{ media, content string }{
			{"image/svg+xml", `<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>`}, {"image/png", `<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>`},
			{"text/html", "<!DOCTYPE html><script>alert(1)</script>"}, {"application/pdf", "<!DOCTYPE html><script>alert(1)</script>"},
			{"image/jpeg", "<?xml version=\"1.0\"?><svg/>"}, {"application/javascript", "alert(1)"}, {"image/png; charset=utf-7", string(photo(t))}, {"../../x", string(photo(t))},
		} {
			_, err := s.do.CreateAttachment(s.as("ann"), &workordersv1.CreateAttachmentRequest{
				Parent: o.GetName(), Attachment: &workordersv1.Attachment{MediaType: c.media, Content: []byte(c.content)},
			})
			s.refused(err, "ATTACHMENT_TYPE", c.media)
		}
	})
}

// An attachment comes back as the file that it is, also the biggest that is taken, with its hash and a name; bytes that the disk changed
// are refused instead of shown.
func TestAnAttachmentIsAFile(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		o := s.started("ring-flow-check")
		biggest := append(photo(t), make([]byte, 8<<20-len(photo(t)))...)
		kept := must[*workordersv1.Attachment](s)(s.do.CreateAttachment(s.as("ann"), &workordersv1.CreateAttachmentRequest{
			Parent: o.GetName(), Attachment: &workordersv1.Attachment{MediaType: "image/png", Content: biggest},
		}))
		download := func() (*workordersv1.DownloadAttachmentResponse, error) {
			return s.look.DownloadAttachment(s.as("quinn"), &workordersv1.DownloadAttachmentRequest{Name: kept.GetName()})
		}
		file := must[*workordersv1.DownloadAttachmentResponse](s)(download())
		if !bytes.Equal(file.GetContent(), biggest) || file.GetSha256() != kept.GetSha256() || file.GetMediaType() != "image/png" || file.GetUploader() != "people/ann" ||
			file.GetFileName() != o.GetNumber()+"-"+kept.GetSha256()[:12]+".png" {
			t.Errorf("%d bytes, %s %s %s by %s", len(file.GetContent()), file.GetSha256(), file.GetMediaType(), file.GetFileName(), file.GetUploader())
		}
		err := s.service.DB().Update(s.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			drop := "DROP TRIGGER attachment_bytes_fixed" // whoever gets past it is still seen
			if s.service.DB().Engine() == storage.Postgres {
				drop += " ON attachment_bytes"
			}
			if _, err := tx.Exec(ctx, drop); err != nil {
				return err
			}
			_, err := tx.Exec(ctx, "UPDATE attachment_bytes SET content = $1", photo(t))
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		_, err = download()
		s.refused(err, "ATTACHMENT_HASH", "backup")
		_, err = s.look.DownloadAttachment(s.as("quinn"), &workordersv1.DownloadAttachmentRequest{Name: o.GetName() + "/attachments/none"})
		s.refused(err, "NOT_FOUND")
	})
}

// A deferral ends while its order waits: on its last day, at the station, the order may still be released on it, and on the day after nobody does,
// until the finding is put right and closed. Tokyo's day begins at 15:00 UTC.
func TestNobodyReleasesOnADeferralThatEnded(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		kept, past := s.under("ring-flow-check", "faa-maintenance"), s.under("ring-flow-check", "faa-maintenance")
		var found *workordersv1.Finding
		for _, o := range []*workordersv1.WorkOrder{kept, past} {
			found = must[*workordersv1.Finding](s)(s.put(s.found(o, "Dent"), "", "", "2026-03-15"))
			s.work(o, "ann")
			must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		}
		s.clock.Set(time.Date(2026, 3, 15, 14, 59, 0, 0, time.UTC))
		if o := must[*workordersv1.WorkOrder](s)(s.release(kept)); !strings.Contains(o.GetReleaseStatement(), "until 2026-03-15") {
			t.Errorf("on its last day: %q", o.GetReleaseStatement())
		}
		s.clock.Advance(2 * time.Minute)
		_, err := s.release(past)
		s.refused(err, "FINDING_OPEN", found.GetName(), "until 2026-03-15, which is past")
		if shown := s.preview(past, commonv1.Signature_RELEASED).GetMissing(); len(shown) != 1 || !strings.Contains(shown[0], "which is past") {
			t.Errorf("whoever releases is shown %q", shown)
		}
		must[*workordersv1.Finding](s)(s.do.CloseFinding(s.as("ivy"), &workordersv1.CloseFindingRequest{Name: found.GetName(), Note: "Blended and looked at"}))
		must[*workordersv1.WorkOrder](s)(s.release(past))
	})
}
