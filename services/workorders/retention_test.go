package workorders_test

import (
	"context"
	"strings"
	"testing"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// Cases RET-03 and RET-08 (145.A.55(a)(3), M.A.305(e)2): the record and its attachments say how long they are kept: while the work is open
// without an end, and through a day once it is released or ended, by the longest floor of the order's regime.
func TestTheRecordSaysHowLongItIsKept(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		kept := func(o *workordersv1.WorkOrder) string {
			r := o.GetRetention()
			return strings.TrimSpace(r.GetClass().String() + " " + resource.DateText(r.GetKeepThroughDate()))
		}
		o := s.started("ring-flow-check")
		if r := o.GetRetention(); kept(o) != "OPEN_WORK" || r.GetMonths() != 36 || !strings.Contains(r.GetSource(), "36 months") {
			t.Errorf("open work: %v", r)
		}
		photo := must[*workordersv1.Attachment](s)(s.do.CreateAttachment(s.as("ann"), &workordersv1.CreateAttachmentRequest{
			Parent: o.GetName(), Attachment: &workordersv1.Attachment{MediaType: "image/png", Content: photo(t)},
		}))
		listed := func() *workordersv1.Retention {
			return must[*workordersv1.ListAttachmentsResponse](s)(s.look.ListAttachments(s.as("ann"), &workordersv1.ListAttachmentsRequest{Parent: o.GetName()})).GetAttachments()[0].GetRetention()
		}
		if r := listed(); r.GetClass() != workordersv1.Retention_OPEN_WORK || r.GetMonths() != 36 || r.GetKeepThroughDate() != nil || !strings.Contains(r.GetSource(), "36 months") {
			t.Errorf("listed while the work is open: %v", r)
		}
		s.work(o, "ann")
		must[*workordersv1.WorkOrder](s)(s.finish(o, "ann"))
		o = must[*workordersv1.WorkOrder](s)(s.release(o))
		if kept(o) != "RELEASED_WORK 2029-03-14" {
			t.Errorf("released on %v: %v", o.GetReleaseDate(), o.GetRetention())
		}
		photo = must[*workordersv1.Attachment](s)(s.look.GetAttachment(s.as("ann"), &workordersv1.GetAttachmentRequest{Name: photo.GetName()}))
		if got := resource.DateText(photo.GetRetention().GetKeepThroughDate()); got != "2029-03-14" {
			t.Errorf("its photograph is kept through %s", got)
		}
		if r := listed(); r.GetClass() != workordersv1.Retention_RELEASED_WORK || resource.DateText(r.GetKeepThroughDate()) != "2029-03-14" || r.GetSource() == "" {
			t.Errorf("listed after the release: %v", r)
		}
		voided := must[*workordersv1.WorkOrder](s)(s.void(s.drafted("ring-flow-check"), "pat"))
		if kept(voided) != "ENDED_WORK 2029-03-14" {
			t.Errorf("ended: %v", voided.GetRetention())
		}
		shop := s.under("ring-flow-check", "faa-maintenance")
		if r := shop.GetRetention(); r.GetMonths() != 24 || !strings.Contains(r.GetSource(), "145.219(c)") {
			t.Errorf("under the shop's rules: %v", r)
		}
	})
}

// Nobody deletes what belongs to an order, and nobody changes the bytes of an attachment: the store refuses.
func TestRecordsOfOrdersAreNeverDeleted(t *testing.T) {
	engines(t, func(t *testing.T, s *stage) {
		s.full()
		for _, table := range []string{
			"work_orders", "steps", "wash_plans", "measurements", "motoring_runs", "findings", "labour_entries", "signatures", "attachments", "attachment_bytes", "older_revisions",
		} {
			if s.count(table) == 0 {
				t.Errorf("nothing in %s, so nothing is tried", table)
			}
			s.unchangeable("DELETE FROM "+table, "kept")
		}
		s.unchangeable("UPDATE attachment_bytes SET content = content", "")
	})
}

func (s *stage) unchangeable(statement, why string) {
	s.t.Helper()
	err := s.service.DB().Update(s.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		_, err := tx.Exec(ctx, statement)
		return err
	})
	if err == nil || !strings.Contains(err.Error(), why) {
		s.t.Errorf("%s: %v", statement, err)
	}
}
