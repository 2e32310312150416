package suite_test

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/suite"
)

// runs is a suite that is tried from the command line by its administrator.
type runs struct {
	t     *testing.T
	state string
	s     *suite.Suite
	token string
}

func (r *runs) start() {
	r.t.Helper()
	r.s = start(r.t, suite.Config{StateDir: r.state})
	if r.token == "" {
		session, err := sessions(r.t, r.s).AcceptInvitation(r.t.Context(), &accessv1.AcceptInvitationRequest{Token: r.s.FirstAdminToken(), Password: passphrase})
		if err != nil {
			r.t.Fatal(err)
		}
		r.token = session.GetToken()
	}
	r.t.Setenv("COLDSECTION_REMOTE_KEY", r.token)
	r.t.Setenv("COLDSECTION_REMOTE_SERVER", r.s.GRPCAddress())
}

// call calls a method and gives the name in its answer.
func (r *runs) call(method, request string) string {
	r.t.Helper()
	code, out, problems := line("call", method, "--json", request)
	var answer struct {
		Name string `json:"name"`
	}
	if err := json.Unmarshal([]byte(out), &answer); code != 0 || err != nil {
		r.t.Fatalf("%s %s: code %d, %v, %q, %s", method, request, code, err, out, problems)
	}
	return answer.Name
}

// owned stops the suite and says whose performance takes an engine to be.
func (r *runs) owned(engine string) (owner string) {
	r.t.Helper()
	r.s.Stop()
	err := storage.Inspect(r.t.Context(), filepath.Join(r.state, suite.Performance+".db"), func(ctx context.Context, tx *storage.Tx) error {
		return tx.QueryRow(ctx, "SELECT COALESCE(MAX(owner), '') FROM owned_subjects WHERE subject = $1", engine).Scan(&owner)
	})
	if err != nil {
		r.t.Fatal(err)
	}
	return owner
}

// until starts and stops the suite until performance has heard whose an engine is; it stands still then.
func (r *runs) until(engine, owner string) {
	r.t.Helper()
	for deadline := clock.System().After(time.Minute); ; r.start() {
		had := r.owned(engine)
		if had == owner {
			return
		}
		select {
		case <-deadline:
			r.t.Fatalf("performance has %s as of %q, not %q", engine, had, owner)
		case <-clock.System().After(100 * time.Millisecond):
		}
	}
}

// Compliance alone is put back into a suite that went on. It does not start before it is brought back among the others; what it told since is named
// with its content, what it tells under the same numbers takes effect, and so does what the others told meanwhile.
func TestOnePartIsPutBack(t *testing.T) {
	folder := t.TempDir()
	r := &runs{t: t, state: filepath.Join(folder, "state")}
	copied := filepath.Join(folder, "copy")
	r.start()
	first := r.call("CreateEngine", `{"engine":{"serial":"S1","engineModel":"m","owner":"north"}}`)
	r.until(first, "north")
	told(t, 0, "backup", copied, "--state", r.state)
	r.start()
	change := func(owner string) {
		t.Helper()
		r.call("UpdateEngine", fmt.Sprintf(`{"engine":{"name":%q,"owner":%q},"updateMask":"owner"}`, first, owner))
	}
	change("south")
	second := r.call("CreateEngine", `{"engine":{"serial":"S2","engineModel":"m","owner":"south"}}`)
	if code, _, problems := line("restore", copied, "--state", r.state, "--part", "compliance"); code != 1 || !strings.Contains(problems, "must be stopped") {
		t.Errorf("under a suite that runs: code %d, %s", code, problems)
	}
	r.until(first, "south")
	r.start()
	r.until(second, "south")

	told(t, 0, "restore", copied, "--state", r.state, "--part", "compliance")
	if kept, err := filepath.Glob(filepath.Join(r.state, "replaced-compliance-*", "compliance.db")); err != nil || len(kept) != 1 {
		t.Errorf("what was there is kept as %v, %v", kept, err)
	}
	if _, err := suite.Start(t.Context(), suite.Config{StateDir: r.state, HTTP: "127.0.0.1:0", GRPC: "127.0.0.1:0"}, slog.New(slog.DiscardHandler)); err == nil ||
		!strings.Contains(err.Error(), "coldsection rejoin") {
		t.Fatalf("it starts: %v", err)
	}
	var lost []string
	for _, row := range told(t, 0, "rejoin", "--state", r.state) {
		if row["state"] == "LOST" {
			lost = append(lost, row["part"]+" "+row["type"]+" "+row["subject"])
			if !strings.Contains(row["content"], `"south"`) {
				t.Errorf("what it told is not there: %v", row)
			}
		}
	}
	if want := []string{"compliance coldsection.engine.changed.v1 " + first, "compliance coldsection.engine.registered.v1 " + second}; !slices.Equal(lost, want) {
		t.Errorf("not known any more: %v, want %v", lost, want)
	}
	r.start()
	change("west")
	third := r.call("CreateEngine", `{"engine":{"serial":"S3","engineModel":"m","owner":"west"}}`)
	r.until(first, "west")
	r.start()
	r.until(third, "west")
	r.start()
	if code, out, problems := line("doctor"); code != 0 {
		t.Errorf("doctor: code %d, %s, %s", code, out, problems)
	}
}

// What is no suite, and a backup that is damaged, change nothing.
func TestOnePartIsPutBackWholeOrNotAtAll(t *testing.T) {
	folder := t.TempDir()
	state, copied := filepath.Join(folder, "state"), filepath.Join(folder, "copy")
	told(t, 0, "init", "--state", state)
	told(t, 0, "backup", copied, "--state", state)
	if code, _, problems := line("restore", copied, "--state", folder, "--part", "compliance"); code != 1 || !strings.Contains(problems, "there is no suite in") {
		t.Errorf("into no suite: code %d, %s", code, problems)
	}
	if code, _, problems := line("restore", copied, "--state", state, "--part", "singing"); code != 2 || !strings.Contains(problems, "--part") {
		t.Errorf("a part that is none: code %d, %s", code, problems)
	}
	told(t, 0, "restore", copied, "--state", state, "--part", "gateway")
	s := start(t, suite.Config{StateDir: state})
	s.Stop()
}

// Where all databases were put back and the event servers are new, every fact leaves again, those of the gateway too.
func TestEverythingLeavesAgainForNewEventServers(t *testing.T) {
	r := &runs{t: t, state: filepath.Join(t.TempDir(), "state")}
	r.start()
	engine := r.call("CreateEngine", `{"engine":{"serial":"S1","engineModel":"m","owner":"north"}}`)
	r.call("SealBreakGlass", "{}")
	r.until(engine, "north")
	if err := os.RemoveAll(filepath.Join(r.state, "events")); err != nil {
		t.Fatal(err)
	}
	again := map[string]string{}
	for _, row := range told(t, 0, "rejoin", "--state", r.state) {
		if row["state"] == "AGAIN" {
			again[row["part"]] = row["content"]
		}
	}
	if want := map[string]string{"compliance": "1", "consumables": "0", "performance": "0", "workorders": "0", "gateway": "1"}; !maps.Equal(again, want) {
		t.Errorf("what leaves again: %v, want %v", again, want)
	}
}
