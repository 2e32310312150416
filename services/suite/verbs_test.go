package suite_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/suite"
)

// line runs a command line.
func line(args ...string) (code int, out, problems string) {
	var to, errs bytes.Buffer
	code = suite.Main(args, &to, &errs)
	return code, to.String(), errs.String()
}

// calling is how a verb that calls a running suite is tried by an administrator; FOLDER stands for a folder of the test's.
type calling struct {
	args []string
	code int
	says string // in what it prints, or in its problem where it fails
}

// remotes are the verbs that call a running suite. A new one without a line here fails.
var remotes = map[string]calling{
	"engines":            {nil, 0, ""},
	"due":                {nil, 0, ""},
	"orders":             {nil, 0, ""},
	"lots":               {nil, 0, ""},
	"stock":              {nil, 0, ""},
	"list":               {[]string{"accounts"}, 0, "accounts/admin"},
	"get":                {[]string{"accounts/admin"}, 0, "Administrator"},
	"call":               {[]string{"GetCurrentSession"}, 0, "accounts/admin"},
	"events":             {[]string{"--types", "coldsection.nothing.*"}, 0, ""},
	"import":             {[]string{"FOLDER/log.csv"}, 1, "ROLE_MISSING: "},
	"mcp":                {nil, 0, ""}, // tried where the public SDK's client speaks with it
	"pack make":          {[]string{"engines/none"}, 1, ": "},
	"user list":          {nil, 0, "accounts/admin"},
	"user add":           {[]string{"erp", "--machine", "--role", "viewer", "--dry-run"}, 0, "accounts/erp"},
	"user invite":        {[]string{"nobody"}, 1, "NOT_FOUND: "},
	"user disable":       {[]string{"admin"}, 1, "LAST_ADMIN: "},
	"user enable":        {[]string{"accounts/admin"}, 0, "accounts/admin"},
	"token list":         {[]string{"admin"}, 0, ""},
	"token make":         {[]string{"admin", "FOLDER/key"}, 1, "ACCOUNT_IS_A_PERSON: "},
	"token revoke":       {[]string{"accounts/erp/apiKeys/none"}, 1, "NOT_FOUND: "},
	"webhook list":       {nil, 0, ""},
	"webhook deliveries": {[]string{"none"}, 0, ""},
	"webhook test":       {[]string{"none"}, 1, "NOT_FOUND: "},
	"webhook replay":     {[]string{"webhookEndpoints/none/deliveries/none"}, 1, "NOT_FOUND: "},
	"export":             {[]string{"due"}, 0, ""},
	"doctor":             {nil, 0, "accounts/admin"},
}

// locals are those that call none, with a line of each that is wrong in itself, and what is said of it.
var locals = map[string]calling{
	"serve":         {[]string{"singing"}, 1, `there is no part "singing"`},
	"config":        {[]string{"check", "--state", "", "--http", "127.0.0.1:0"}, 3, "--state"},
	"demo":          {[]string{"--state", "FOLDER/log.csv/x", "--exit"}, 1, "log.csv"},
	"event-server":  {nil, 2, "--name"},
	"event-keys":    {[]string{"FOLDER"}, 1, "FOLDER"},
	"backup":        {[]string{"FOLDER/copy", "--state", "FOLDER/none"}, 1, "there is no suite in FOLDER/none"},
	"restore":       {[]string{"FOLDER/none", "--state", "FOLDER/new"}, 1, "no finished backup"},
	"verify-backup": {[]string{"FOLDER/none"}, 1, "no finished backup"},
	"rebuild":       {[]string{"singing"}, 1, ""},
	"rejoin":        {[]string{"--state", "FOLDER/log.csv/x"}, 1, "log.csv"},
	"pack verify":   {[]string{"FOLDER/log.csv"}, 3, "not the pack as it was sealed"},
	"version":       {[]string{"--sing"}, 2, "unknown flag"},
	"methods":       {[]string{"--output", "xml"}, 2, "--output"},
	"openapi":       {[]string{"x"}, 2, "unexpected argument"},
	"proto":         {[]string{"FOLDER/log.csv"}, 1, "exists"},
	"init":          {[]string{"--state", "FOLDER"}, 1, "is not empty"},
	"migrate":       {[]string{"--state", "FOLDER/none"}, 1, "there is no suite in"},
	"seed":          {[]string{"FOLDER"}, 1, "is not empty"},
}

// writing are the verbs whose results are files, streams or a suite that runs, and in no form of a table.
var writing = []string{"serve", "demo", "seed", "mcp", "event-server", "export", "openapi", "proto"}

// folderOf is a folder with a file in it.
func folderOf(t *testing.T) string {
	t.Helper()
	folder := t.TempDir()
	if err := os.WriteFile(filepath.Join(folder, "log.csv"), []byte("engine_serial\nX\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return folder
}

func inFolder(folder string, args []string) []string {
	var out []string
	for _, a := range args {
		out = append(out, strings.ReplaceAll(a, "FOLDER", folder))
	}
	return out
}

// Every verb has a help text, refuses what it does not know with 2 and a problem, and none writes its problems among its results. A verb that nobody
// tries fails; one that shows resources shows them in all three forms.
func TestEveryVerbIsTried(t *testing.T) {
	all, err := suite.Verbs()
	if err != nil {
		t.Fatal(err)
	}
	folder := folderOf(t)
	for _, v := range all {
		name := strings.Join(v.Words, " ")
		_, remote := remotes[name]
		local, here := locals[name]
		if remote == here || remote != v.Remote {
			t.Errorf("%s is tried %v as remote and %v as local", name, remote, here)
		}
		if code, out, problems := line(append(slices.Clone(v.Words), "--help")...); code != 0 || !strings.Contains(out, "Usage: coldsection "+name) || problems != "" {
			t.Errorf("%s --help: code %d, %q, %q", name, code, out, problems)
		}
		if code, out, problems := line(append(slices.Clone(v.Words), "--no-such-flag")...); code != 2 || out != "" || !strings.HasPrefix(problems, "coldsection: ") {
			t.Errorf("%s --no-such-flag: code %d, %q, %q", name, code, out, problems)
		}
		if (v.Forms == nil) != slices.Contains(writing, name) {
			t.Errorf("%s is shown in the forms %v", name, v.Forms)
		}
		if v.Forms != nil && !slices.Equal(v.Forms, []string{"table", "json", "csv"}) {
			t.Errorf("%s is shown in the forms %v", name, v.Forms)
		}
		for _, flag := range v.Flags { // what others on the machine may read in the list of processes
			if slices.Contains([]string{"key", "secret-value", "password", "token"}, flag) && name != "pack verify" {
				t.Errorf("%s takes --%s", name, flag)
			}
		}
		if !here {
			continue
		}
		code, out, problems := line(append(slices.Clone(v.Words), inFolder(folder, local.args)...)...)
		says := strings.ReplaceAll(local.says, "FOLDER", folder)
		if code != local.code || problems == "" || !strings.Contains(problems, says) {
			t.Errorf("%s %v: code %d, %q, %q", name, local.args, code, out, problems)
		}
	}
	if len(all) != len(remotes)+len(locals) {
		t.Errorf("%d verbs, of which %d and %d are tried", len(all), len(remotes), len(locals))
	}
}

// Every verb that calls a suite does so with a key that stands nowhere on the line, says in words when there is none, when it is wrong, when the
// address is none and when nobody is there, and shows what it got in every form.
func TestEveryVerbThatCallsASuite(t *testing.T) {
	all, err := suite.Verbs()
	if err != nil {
		t.Fatal(err)
	}
	s := start(t, suite.Config{StateDir: t.TempDir()})
	session, err := sessions(t, s).AcceptInvitation(t.Context(), &accessv1.AcceptInvitationRequest{Token: s.FirstAdminToken(), Password: passphrase})
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range all {
		name := strings.Join(v.Words, " ")
		if !v.Remote || name == "mcp" {
			continue
		}
		tried := remotes[name]
		given := append(slices.Clone(v.Words), inFolder(folderOf(t), tried.args)...)
		ask := func(key, server string, more ...string) (int, string, string) {
			t.Setenv("COLDSECTION_REMOTE_KEY", key)
			return line(append(append(slices.Clone(given), "--server", server), more...)...)
		}
		for says, c := range map[string][2]string{
			"there is no API key": {"", s.GRPCAddress()}, "CREDENTIALS_WRONG: ": {"csk_wrong", s.GRPCAddress()},
			"is no host:port": {"csk_x", "http://127.0.0.1:1"}, "add --tls": {"csk_x", "192.0.2.1:8081"}, "SERVICE_UNREACHABLE: ": {"csk_x", "127.0.0.1:1"},
		} {
			code, out, problems := ask(c[0], c[1])
			if code2, _, refused := ask(c[0], c[1], "--tls"); says == "is no host:port" && (code2 != 1 || !strings.Contains(refused, says)) {
				t.Errorf("%s with TLS: code %d, %q", name, code2, refused)
			}
			if name == "token make" && strings.HasSuffix(says, ": ") {
				_ = os.Remove(given[len(given)-1])
			}
			if code != 1 || !strings.Contains(problems, says) || strings.Contains(out+problems, "csk_") || out != "" && name != "doctor" {
				t.Errorf("%s with %v: code %d, %q, %q", name, c, code, out, problems)
			}
		}
		forms := v.Forms
		if forms == nil {
			forms = []string{""}
		}
		for _, form := range forms {
			var more []string
			if form != "" {
				more = []string{"--output", form}
			}
			code, out, problems := ask(session.GetToken(), s.GRPCAddress(), more...)
			if code != tried.code || !strings.Contains(out+problems, tried.says) || strings.Contains(out+problems, session.GetToken()) {
				t.Errorf("%s %s: code %d, %q, %q", name, form, code, out, problems)
			}
			if code != 0 && (out != "" || !strings.HasPrefix(problems, "coldsection: ")) {
				t.Errorf("%s fails with %q among its results and says %q", name, out, problems)
			}
			if problem := wellFormed(form, out); problem != nil {
				t.Errorf("%s as %s: %v in %q", name, form, problem, out)
			}
		}
	}
}

// wellFormed says why an answer is not of its form.
func wellFormed(form, out string) error {
	switch form {
	case "json":
		for d := json.NewDecoder(strings.NewReader(out)); d.More(); {
			var one map[string]any
			if err := d.Decode(&one); err != nil {
				return err
			}
		}
	case "csv":
		_, err := csv.NewReader(strings.NewReader(out)).ReadAll()
		return err
	}
	return nil
}

// An administrator makes a program's account, gives it a key and takes both back: the secret is in its file alone, which nobody else may read.
func TestAnAdministratorLooksAfterAccountsByTheLine(t *testing.T) {
	s := start(t, suite.Config{StateDir: t.TempDir()})
	session, err := sessions(t, s).AcceptInvitation(t.Context(), &accessv1.AcceptInvitationRequest{Token: s.FirstAdminToken(), Password: passphrase})
	if err != nil {
		t.Fatal(err)
	}
	t.Setenv("COLDSECTION_REMOTE_KEY", session.GetToken())
	t.Setenv("COLDSECTION_REMOTE_SERVER", s.GRPCAddress())
	done := func(want int, args ...string) string {
		t.Helper()
		code, out, problems := line(args...)
		if code != want {
			t.Fatalf("%v: code %d, %s", args, code, problems)
		}
		return out + problems
	}
	file := filepath.Join(t.TempDir(), "erp.key")
	if done(0, "user", "add", "erp", "--machine", "--role", "viewer", "--dry-run"); strings.Contains(done(0, "user", "list"), "accounts/erp") {
		t.Error("a dry run added an account")
	}
	done(0, "user", "add", "erp", "--machine", "--role", "viewer", "--name", "=cmd|'/c calc'!A1")
	if out := done(0, "user", "list", "--output", "csv"); !strings.Contains(out, "'=cmd") {
		t.Errorf("a spreadsheet would take this for a formula: %s", out)
	}
	if done(0, "token", "make", "erp", file, "--dry-run"); exists(file) {
		t.Error("a dry run wrote a secret")
	}
	made := map[string]any{}
	if err := json.Unmarshal([]byte(done(0, "token", "make", "erp", file, "--scope", "read", "-o", "json")), &made); err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(file)
	secret, readErr := os.ReadFile(file)
	if err != nil || readErr != nil || info.Mode().Perm() != 0o600 || !strings.HasPrefix(string(secret), "csk_") || made["secret"] != "" {
		t.Errorf("the secret's file: %v, %v, %v; shown %v", info, err, readErr, made)
	}
	name, _ := made["name"].(string)
	if out := done(1, "token", "make", "erp", file); strings.Contains(out, "csk_") || strings.Count(done(0, "token", "list", "erp", "-o", "csv"), "accounts/erp/apiKeys/") != 1 {
		t.Errorf("over a file that is there: %s", out)
	}
	done(0, "engines", "--key-file", file)
	if out := done(1, "call", "CreateItem", "--key-file", file); !strings.Contains(out, "SCOPE_MISSING: ") {
		t.Errorf("beyond its scope: %s", out)
	}
	done(0, "doctor", "--key-file", file)
	if out := done(0, "doctor", "--key-file", file, "-o", "csv"); !strings.Contains(out, "NOT ASKED") {
		t.Errorf("a viewer's doctor: %s", out)
	}
	done(0, "token", "revoke", name)
	if out := done(1, "engines", "--key-file", file); !strings.Contains(out, "CREDENTIALS_WRONG: ") {
		t.Errorf("a revoked key: %s", out)
	}
	if out := done(1, "call", "DisableAccount", "--dry-run", "--json", `{"name":"accounts/erp"}`); !strings.Contains(out, "DRY_RUN_UNKNOWN: ") {
		t.Errorf("what can't be tried: %s", out)
	}
	if out := done(0, "user", "disable", "accounts/erp"); !strings.Contains(out, "DISABLED") {
		t.Errorf("disabled: %s", out)
	}
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}
