package gateway_test

import (
	"context"
	"strings"
	"testing"
	"time"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/storage"
)

// lines are those of the audit that have this in them.
func (w *world) lines(what string) (found []*accessv1.AuditEvent) {
	w.t.Helper()
	list, err := accessv1.NewAccessQueryServiceClient(w.conn).ListAuditEvents(w.as(w.admin), &accessv1.ListAuditEventsRequest{PageSize: 1000})
	if err != nil {
		w.t.Fatal(err)
	}
	for _, e := range list.GetAuditEvents() {
		if strings.Contains(e.GetMethod()+" "+e.GetOutcome(), what) {
			found = append(found, e)
		}
	}
	return found
}

// sql runs a statement in the gateway's database, as a disk that fails and is mended would.
func (w *world) sql(statement string) {
	w.t.Helper()
	if err := w.gw.DB().Update(w.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		_, err := tx.Exec(ctx, statement)
		return err
	}); err != nil {
		w.t.Fatal(err)
	}
}

// kept is how many lines of a method are on disk with this outcome, whatever the process still has in memory.
func (w *world) kept(method, outcome string) (n int) {
	w.t.Helper()
	if err := w.gw.DB().View(w.t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		return tx.QueryRow(ctx, "SELECT count(*) FROM audit_events WHERE method LIKE $1 AND outcome = $2", "%"+method, outcome).Scan(&n)
	}); err != nil {
		w.t.Fatal(err)
	}
	return n
}

func (w *world) createItem() error {
	_, err := consumablesv1.NewConsumablesServiceClient(w.conn).CreateItem(w.as(w.admin), &consumablesv1.CreateItemRequest{
		Item: &consumablesv1.Item{DisplayName: "brush", Kind: consumablesv1.Item_CLEANER, BaseUnitCode: "L"},
	})
	return err
}

func TestAChangesLineIsOnDiskWithItsAnswer(t *testing.T) {
	w := newWorld(t)
	if err := w.createItem(); err != nil {
		t.Fatal(err)
	}
	if n := w.kept("CreateItem", "BEGUN"); n != 1 {
		t.Errorf("%d lines are on disk when the answer is there, want 1; a process that dies now must not lose it", n)
	}
	if err := w.gw.Settle(t.Context()); err != nil {
		t.Fatal(err)
	}
	if begun, done := w.kept("CreateItem", "BEGUN"), w.kept("CreateItem", "OK"); begun != 0 || done != 1 {
		t.Errorf("a moment later: %d lines under way and %d done, want 0 and 1", begun, done)
	}
}

// What the audit can't take is not answered as done; after the first such call none is made.
func TestNoChangeIsMadeWhileTheAuditFails(t *testing.T) {
	w := newWorld(t)
	w.sql("ALTER TABLE audit_events RENAME TO audit_events_gone")
	made := w.made.Load()
	if err := w.createItem(); reasonOf(err) != "AUDIT_UNWRITTEN" {
		t.Errorf("the first change: %v, want AUDIT_UNWRITTEN", err)
	}
	for range 3 {
		if err := w.createItem(); reasonOf(err) != "AUDIT_UNAVAILABLE" {
			t.Errorf("a later change: %v, want AUDIT_UNAVAILABLE", err)
		}
	}
	if n := w.made.Load() - made; n != 1 {
		t.Errorf("the owner was asked %d times, want once: the call that was under way when the audit failed", n)
	}
	w.sql("ALTER TABLE audit_events_gone RENAME TO audit_events")
	if err := w.createItem(); err != nil {
		t.Errorf("once the audit is back: %v", err)
	}
	if n := len(w.lines("CreateItem OK")); n != 2 {
		t.Errorf("%d lines say what was made, want 2: the first was kept and followed", n)
	}
}

// Faults C20: who calls with nothing can't fill the audit.
func TestStrangersDoNotFillTheAudit(t *testing.T) {
	w := newWorld(t)
	const calls = 120
	for range calls {
		w.rest("GET", "/v1/items/a", "css_stolen", "")
	}
	w.clock.Advance(time.Minute)
	lines, stood := w.lines("HTTP GET CREDENTIALS_WRONG"), int32(0)
	for _, line := range lines {
		stood += max(line.GetCallCount(), 1)
	}
	if len(lines) != 21 || stood != calls {
		t.Errorf("%d refusals have %d lines that stand for %d; want 21 lines that stand for all", calls, len(lines), stood)
	}
	w.rest("GET", "/v1/items/b", "css_stolen", "")
	w.checkAudit(" HTTP GET /v1/items/b CREDENTIALS_WRONG")
}
