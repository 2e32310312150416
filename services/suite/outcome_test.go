package suite_test

import (
	"bytes"
	"crypto/ed25519"
	"encoding/csv"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/recordpack"
	"coldsection.example/services/suite"
)

// told are the rows that a verb printed for programs, by name, after it was tried in both forms, which say the same.
func told(t *testing.T, code int, args ...string) []map[string]string {
	t.Helper()
	got, out, problems := line(append(slices.Clone(args), "-o", "json")...)
	if got != code {
		t.Fatalf("%v: code %d, %s", args, got, problems)
	}
	var rows []map[string]string
	for d := json.NewDecoder(strings.NewReader(out)); d.More(); {
		row := map[string]string{}
		if err := d.Decode(&row); err != nil {
			t.Fatalf("%v: %v in %q", args, err, out)
		}
		rows = append(rows, row)
	}
	return rows
}

// table is what a verb printed as CSV.
func table(t *testing.T, args ...string) [][]string {
	t.Helper()
	code, out, problems := line(append(slices.Clone(args), "-o", "csv")...)
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	if code != 0 || err != nil || len(rows) == 0 {
		t.Fatalf("%v: code %d, %v, %q, %s", args, code, err, out, problems)
	}
	return rows
}

// What commands did with files and databases is for programs to read too: each value under its name, without a sentence around it.
func TestWhatWasDoneIsToldToPrograms(t *testing.T) {
	folder := t.TempDir()
	at := func(name string) string { return filepath.Join(folder, name) }
	one := func(rows []map[string]string) map[string]string {
		t.Helper()
		if len(rows) != 1 {
			t.Fatalf("%v", rows)
		}
		return rows[0]
	}
	if got := one(told(t, 0, "version")); !strings.HasPrefix(got["version"], "coldsection ") {
		t.Errorf("version: %v", got)
	}
	if got := one(told(t, 0, "init", "--state", at("state"))); got["folder"] != at("state") || got["version"] == "" {
		t.Errorf("init: %v", got)
	}
	if got := one(told(t, 0, "migrate", "--state", at("state"))); got["folder"] != at("state") {
		t.Errorf("migrate: %v", got)
	}
	made := one(told(t, 0, "backup", at("copy"), "--state", at("state"), "--secret"))
	if made["folder"] != at("copy") || made["secret"] != "true" || made["files"] != "6" || made["time"] == "" {
		t.Errorf("backup: %v", made)
	}
	if got := one(told(t, 0, "verify-backup", at("copy"))); got["state"] != "SOUND" || got["time"] != made["time"] || got["files"] != made["files"] {
		t.Errorf("verify-backup: %v beside %v", got, made)
	}
	if got := one(told(t, 0, "restore", at("copy"), "--state", at("restored"))); got["folder"] != at("restored") || got["secret"] != "true" || got["time"] != made["time"] {
		t.Errorf("restore: %v beside %v", got, made)
	}
	models := table(t, "rebuild", "--state", at("restored"))
	if !slices.Equal(models[0], []string{"part", "table", "rows_before", "rows_from_facts", "state"}) || len(models) < 6 {
		t.Errorf("rebuild: %v", models)
	}
	for _, row := range models[1:] {
		if !slices.Equal(row[2:], []string{"0", "0", "AS_IT_WAS"}) {
			t.Errorf("rebuild of a suite in which nothing happened: %v", row)
		}
	}
	keys := table(t, "event-keys", at("keys"))
	for _, row := range keys[1:] {
		if text, err := os.ReadFile(row[1]); err != nil || len(text) == 0 || filepath.Base(row[1]) != row[0] {
			t.Errorf("event-keys: %v, %v", row, err)
		}
	}
	if len(keys) != 1+5 {
		t.Errorf("event-keys: %v", keys)
	}
}

// Settings are told with where each comes from; a reference is a file of settings and takes no other form.
func TestSettingsAreToldToPrograms(t *testing.T) {
	t.Setenv("COLDSECTION_REPLICAS", "5")
	settings := map[string][]string{}
	for _, row := range table(t, "config", "--http", "127.0.0.1:1") {
		settings[row[0]] = row[1:]
	}
	for name, want := range map[string][]string{
		"setting": {"origin", "value"}, "http": {"command line", "127.0.0.1:1"}, "replicas": {"environment", "5"}, "grpc": {"default", "127.0.0.1:8081"},
	} {
		if !slices.Equal(settings[name], want) {
			t.Errorf("%s is %q, not %q", name, settings[name], want)
		}
	}
	if got := told(t, 0, "config", "check", "--state", t.TempDir()); len(got) != 1 || got[0]["state"] != "OK" {
		t.Errorf("check: %v", got)
	}
	if code, out, problems := line("config", "--reference", "-o", "json"); code != 1 || out != "" || !strings.Contains(problems, "--output json") {
		t.Errorf("the reference as JSON: %d, %q, %q", code, out, problems)
	}
}

// A check of a pack names each fault in a row of its own. A pack comes from others: what it says of itself moves no cursor of a terminal, and is no
// formula of a spreadsheet.
func TestWhatAPackSaysIsNoCommand(t *testing.T) {
	key := ed25519.NewKeyFromSeed(bytes.Repeat([]byte{7}, ed25519.SeedSize))
	pack, err := recordpack.Make(recordpack.About{Number: "RP-1", Label: "=1+1\x1b[2J", Subject: "engines/one"},
		[]recordpack.File{{Path: "records.csv", Content: []byte("a\r\n1\r\n")}}, key)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "pack.zip")
	if err := os.WriteFile(path, pack, 0o600); err != nil {
		t.Fatal(err)
	}
	if code, out, problems := line("pack", "verify", path); code != 0 || strings.Contains(out, "\x1b") || !strings.Contains(out, "=1+1 [2J") {
		t.Errorf("%d, %q, %q", code, out, problems)
	}
	if row := table(t, "pack", "verify", path)[1]; row[0] != "AS_SEALED" || row[1] != "RP-1" || !strings.HasPrefix(row[2], "'=1+1") || row[8] != recordpack.PublicKey(key) {
		t.Errorf("%q", row)
	}
	if code, _, problems := line("pack", "verify", path+"\x1b[2J"); code != 1 || strings.Contains(problems, "\x1b") {
		t.Errorf("a problem moves the cursor: %d, %q", code, problems)
	}
	if err := os.WriteFile(path, bytes.Replace(pack, []byte("a\r\n1"), []byte("a\r\n2"), 1), 0o600); err != nil {
		t.Fatal(err)
	}
	rows := told(t, 3, "pack", "verify", path)
	if !slices.ContainsFunc(rows, func(r map[string]string) bool {
		return r["state"] == "NOT_AS_SEALED" && r["file"] == "records.csv" && r["finding"] != ""
	}) {
		t.Errorf("%v", rows)
	}
	for _, r := range rows {
		if r["number"] != "" {
			t.Errorf("what a pack that was changed says of itself is repeated: %v", r)
		}
	}
}

// What fails leaves nothing behind that stands in the way of the next try, or that somebody would take for the whole.
// A backup that is whole stays, though the state folder takes nothing any more.
func TestAFailedBackupLeavesNothing(t *testing.T) {
	folder := t.TempDir()
	state, into, whole, restored := filepath.Join(folder, "state"), filepath.Join(folder, "copy"), filepath.Join(folder, "whole"), filepath.Join(folder, "restored")
	told(t, 0, "init", "--state", state)
	told(t, 0, "backup", whole, "--state", state)
	other := filepath.Join(folder, "other") // where the disk of the data is full, a backup is made on another one
	mark := filepath.Join(state, "last-backup")
	if err := errors.Join(os.Remove(mark), os.Mkdir(mark, 0o700)); err != nil {
		t.Fatal(err)
	}
	if code, _, problems := line("backup", other, "--state", state); code != 1 || !strings.Contains(problems, other+" is whole") {
		t.Errorf("a backup that the state folder can't be told of: %d, %s", code, problems)
	}
	told(t, 0, "verify-backup", other)
	if err := os.Remove(filepath.Join(state, "workorders.db")); err != nil {
		t.Fatal(err)
	}
	if code, _, problems := line("backup", into, "--state", state); code != 1 || !strings.Contains(problems, "workorders") || exists(into) {
		t.Errorf("a backup of half a suite: %d, %s, left behind %v", code, problems, exists(into))
	}
	manifest := filepath.Join(whole, "backup.json")
	text, err := os.ReadFile(manifest)
	if err != nil {
		t.Fatal(err)
	}
	wrong := bytes.Replace(text, []byte(`"processed": 0`), []byte(`"processed": 9`), 1)
	if bytes.Equal(wrong, text) {
		t.Fatalf("no position in %s", text)
	}
	if err := os.WriteFile(manifest, wrong, 0o600); err != nil {
		t.Fatal(err)
	}
	if code, _, problems := line("restore", whole, "--state", restored); code != 1 || !strings.Contains(problems, "the manifest says") {
		t.Errorf("a backup whose manifest is wrong: %d, %s", code, problems)
	}
	if left, err := os.ReadDir(restored); err != nil || len(left) != 0 {
		t.Errorf("what a start would take for a suite was left: %v, %v", left, err)
	}
	if code, _, problems := line("backup", whole, "--state", state); code != 1 || !exists(manifest) || !strings.Contains(problems, "must be new") {
		t.Errorf("a backup over one that is there: %d, %s", code, problems)
	}
}

// A list without rows has its header all the same, and refuses columns that are none; a variable that nobody reads is named.
func TestAListWithoutRows(t *testing.T) {
	s := start(t, suite.Config{StateDir: t.TempDir()})
	session, err := sessions(t, s).AcceptInvitation(t.Context(), &accessv1.AcceptInvitationRequest{Token: s.FirstAdminToken(), Password: passphrase})
	if err != nil {
		t.Fatal(err)
	}
	key := filepath.Join(t.TempDir(), "key")
	if err := os.WriteFile(key, []byte(session.GetToken()+"\r\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Setenv("COLDSECTION_REMOTE_SERVER", s.GRPCAddress())
	t.Setenv("COLDSECTION_REMOTE_KEY_FILE", key)
	for name, args := range map[string][]string{"engine_model": {"engines"}, "short_code": {"lots"}, "event_time": {"events", "--types", "coldsection.nothing.*"}} {
		if rows := table(t, args...); len(rows) != 1 || !slices.Contains(rows[0], name) {
			t.Errorf("%v: %q", args, rows)
		}
	}
	if code, out, problems := line("engines"); code != 0 || strings.TrimSpace(out) != "NAME  SERIAL  ENGINE MODEL  AIRCRAFT  POSITION" || problems != "" {
		t.Errorf("code %d, %q, %q", code, out, problems)
	}
	for says, args := range map[string][]string{
		"COLUMN_UNKNOWN: ": {"engines", "--columns", "weight"}, "LIMIT_INVALID: ": {"engines", "--limit=-1"}, "no host:port": {"engines", "--server", "127.0.0.1:99999"},
	} {
		if code, out, problems := line(args...); code != 1 || out != "" || !strings.Contains(problems, says) {
			t.Errorf("%v: code %d, %q, %q", args, code, out, problems)
		}
	}
	if err := os.Chmod(key, 0o644); err != nil {
		t.Fatal(err)
	}
	if code, out, problems := line("engines", "-o", "csv"); code != 0 || strings.Contains(out, "chmod") || !strings.Contains(problems, "chmod 600 "+key) {
		t.Errorf("a key that everybody may read: code %d, %q, %q", code, out, problems)
	}
	t.Setenv("COLDSECTION_REMOTE_SERVR", "192.0.2.1:1")
	if code, _, problems := line("engines"); code != 2 || !strings.Contains(problems, "did you mean COLDSECTION_REMOTE_SERVER") {
		t.Errorf("code %d, %s", code, problems)
	}
}

// The methods say which of them can be tried, so that a script need not find it out by being refused.
func TestMethodsSayWhetherTheyCanBeTried(t *testing.T) {
	seen := map[string][]string{}
	for _, row := range table(t, "methods") {
		seen[row[0][strings.LastIndex(row[0], ".")+1:]] = row[1:]
	}
	for method, want := range map[string][]string{
		"method": {"reads", "dry_run"}, "ListEngines": {"true", "true"}, "IssueStock": {"false", "true"}, "DisableAccount": {"false", "false"},
	} {
		if !slices.Equal(seen[method], want) {
			t.Errorf("%s is %v, not %v", method, seen[method], want)
		}
	}
}
