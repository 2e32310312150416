package scenarios

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"coldsection.example/integration/harness"
	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/suite"
)

// writing are calls that write fifty times a second until stopped, and the names of what was acknowledged.
type writing struct {
	mu   sync.Mutex
	done []string
	end  context.CancelFunc
	all  sync.WaitGroup
}

func writeOn(t *testing.T, stage *harness.Stage) *writing {
	t.Helper()
	ctx, end := context.WithCancel(t.Context())
	w := &writing{end: end}
	admin := stage.SignIn(t, "admin")
	for worker := range 5 { // ten a second each
		w.all.Go(func() {
			for i := 0; ctx.Err() == nil; i++ {
				turn := clock.System().After(100 * time.Millisecond)
				login := fmt.Sprintf("machine-%d-%d", worker, i)
				if a := admin.REST("POST", "/v1/accounts", map[string]any{"login": login, "displayName": login, "kind": "MACHINE", "roles": []string{"integrator"}}); a.Status == 200 {
					w.mu.Lock()
					w.done = append(w.done, fmt.Sprint(a.Body["name"]))
					w.mu.Unlock()
				}
				<-turn
			}
		})
	}
	return w
}

func (w *writing) acknowledged() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return append([]string(nil), w.done...)
}

func cli(t *testing.T, code int, words string, args ...string) {
	t.Helper()
	var out bytes.Buffer
	if got := suite.Main(args, &out, &out); got != code || !strings.Contains(out.String(), words) {
		t.Fatalf("%v ended with %d: %s", args, got, &out)
	}
}

// Case OPS-03: a backup is made while fifty calls a second write; restored elsewhere, it holds what was acknowledged before it began, its
// record chains and signatures verify, and it goes on. A damaged backup is not restored.
func TestABackupMadeWhileWritingIsRestoredElsewhere(t *testing.T) {
	dir, into := t.TempDir(), t.TempDir()
	state, backup, restored := filepath.Join(dir, "state"), filepath.Join(into, "backup"), filepath.Join(into, "state")
	stage := harness.OneProcessWith(t, "--state", state)
	told := play(t, stage, nil)
	w := writeOn(t, stage)
	for len(w.acknowledged()) < 20 {
		<-clock.System().After(20 * time.Millisecond)
	}
	before := w.acknowledged()
	cli(t, 0, "Backed up and checked", "backup", backup, "--state", state, "--secret")
	after := len(w.acknowledged())
	w.end()
	w.all.Wait()
	if after == len(before) {
		t.Log("the backup was so quick that nothing was written meanwhile")
	}
	if _, err := os.Stat(filepath.Join(state, "last-backup")); err != nil {
		t.Errorf("nobody will see when the backup was made: %v", err)
	}
	cli(t, 1, "must be new", "backup", backup, "--state", state)
	cli(t, 0, "every hash, record chain and number", "restore", backup, "--state", restored)
	again := harness.OneProcessWith(t, "--state", restored)
	admin := again.SignIn(t, "admin")
	for _, name := range before {
		if a := admin.REST("GET", "/v1/"+name, nil); a.Status != 200 {
			t.Errorf("%s was acknowledged before the backup and is gone: %d %v", name, a.Status, a.Body)
		}
	}
	signaturesHold(t, again, told.WorkOrder)
	text, err := os.ReadFile(filepath.Join(backup, "workorders.db"))
	if err != nil {
		t.Fatal(err)
	}
	text[len(text)/2] ^= 1
	if err := os.WriteFile(filepath.Join(backup, "workorders.db"), text, 0o600); err != nil {
		t.Fatal(err)
	}
	cli(t, 1, "not as it was written", "restore", backup, "--state", filepath.Join(into, "other"))
}

// signaturesHold verifies every signature of an order over the API.
func signaturesHold(t *testing.T, stage *harness.Stage, order string) {
	t.Helper()
	look := workordersv1.NewWorkOrdersQueryServiceClient(stage.Conn(t))
	quality := stage.SignIn(t, "quality")
	list, err := look.ListSignatures(quality.Context(), &workordersv1.ListSignaturesRequest{Parent: order})
	if err != nil || len(list.GetSignatures()) == 0 {
		t.Fatalf("signatures of %s: %v, %v", order, list, err)
	}
	released := false
	for _, s := range list.GetSignatures() {
		released = released || s.GetMeaning() == commonv1.Signature_RELEASED
		if check, err := look.VerifySignature(quality.Context(), &workordersv1.VerifySignatureRequest{Name: s.GetName()}); err != nil || !check.GetValid() {
			t.Errorf("%s: %v, %v", s.GetName(), check, err)
		}
	}
	if !released {
		t.Errorf("%s is not signed for release any more", order)
	}
}

// Databases on PostgreSQL are refused with the way to back them up, and nothing is made.
func TestABackupOfPostgreSQLNamesItsTools(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "backup")
	cli(t, 1, "pg_dump", "backup", folder, "--postgres", "postgres://somebody@127.0.0.1/coldsection")
	if _, err := os.Stat(folder); !os.IsNotExist(err) {
		t.Errorf("a folder was made: %v", err)
	}
}
