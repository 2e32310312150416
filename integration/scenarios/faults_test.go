package scenarios

import (
	"encoding/csv"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"coldsection.example/integration/harness"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/suite/story"
)

// faultRows are the rows of bad input at the wire (A), by identity (C) and by repetition (D), and of faults of what the suite stands on (E), that must be tried.
var faultRows = strings.Fields(`A2 A3 A4 A5 A6 A7 A8 A9 A10 A11 A12 A13 A14 A15 C1 C2 C3 C4 C6 C7 C8 C10 C11 C12 C13 C14 C15 C16 C17 C18 C19 C20 C21
	D1 D3 D4 D5 D7 D8 D9 D10 D11 D12 E10 E12 E13 E14`)

// notBuilt marks a row that is not refused as it should be; DEVELOPERS.md names it.
const notBuilt = "not built"

// administrator is the first administrator of a suite, who also plans, and a machine's account beside.
func administrator(t *testing.T, stage *harness.Stage) *harness.Person {
	t.Helper()
	admin := stage.Stranger(t)
	admin.Token = text(must(t, admin.REST("POST", "/v1/invitations:accept", map[string]any{"token": stage.Token(), "password": story.Password})), "token")
	must(t, admin.REST("PATCH", "/v1/accounts/admin?updateMask=roles", map[string]any{"roles": []string{"admin", "planner", "quality"}}))
	must(t, admin.REST("POST", "/v1/accounts?accountId=erp", map[string]any{
		"login": "erp", "displayName": "ERP", "roles": []string{"viewer"}, "kind": "MACHINE",
	}))
	return admin
}

// testdata/faults.csv says of every row what is tried, and how it is refused, or which test tries it. A row that nobody tries fails.
func TestEveryFaultIsTried(t *testing.T) {
	file, err := os.Open("testdata/faults.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	admin := administrator(t, harness.OneProcess(t))
	tried := map[string]bool{}
	for _, row := range rows[1:] {
		tried[row[0]] = true
		t.Run(row[0]+" "+row[1], func(t *testing.T) { tryFault(t, admin, row) })
	}
	for _, row := range faultRows {
		if !tried[row] {
			t.Errorf("nobody tries %s; give it a line in testdata/faults.csv", row)
		}
	}
	if len(tried) != len(faultRows) {
		t.Errorf("%d rows are tried, there are %d", len(tried), len(faultRows))
	}
	after := must(t, admin.REST("GET", "/v1/accounts", nil))
	if left := len(elements(after, "accounts")); left != 2 {
		t.Errorf("refused calls left %d accounts, want the 2 of before", left)
	}
}

func tryFault(t *testing.T, admin *harness.Person, row []string) {
	t.Helper()
	method, path, body, want := row[2], row[3], row[4], row[5]
	switch {
	case method == notBuilt:
		if err := exec.CommandContext(t.Context(), "grep", "-qw", row[0], "../../DEVELOPERS.md").Run(); err != nil {
			t.Errorf("%s is not built, and DEVELOPERS.md does not say so", row[0])
		}
	case strings.HasPrefix(method, "Test"):
		checkMakers(t, map[string]string{row[0]: method})
	default:
		who, asked := *admin, any(nil)
		switch {
		case method == "TOKEN":
			who.Token, method = body, "GET"
		case body != "":
			asked = strings.NewReplacer("DEEP", strings.Repeat("[", 10_000)+strings.Repeat("]", 10_000), "LONG", strings.Repeat("a", 121)).Replace(body)
		}
		answer := who.REST(method, path, asked)
		if got := fmt.Sprintf("%d %s", answer.Status, answer.Reason()); got != want {
			t.Errorf("got %s: %v, want %s", got, answer.Body, want)
		}
	}
}

// Case C14: a path that is nearly that of a method reaches no handler.
func TestPathsThatAreNoMethodsAreNotServed(t *testing.T) {
	stage := harness.OneProcess(t)
	conn, admin := stage.Conn(t), administrator(t, stage)
	const service, method = "coldsection.access.v1.AccessQueryService", "ListAccounts"
	for path, want := range map[string]codes.Code{
		"/" + service + "/" + method: codes.OK, "//" + service + "/" + method: codes.Unimplemented, service + "/" + method: codes.Unimplemented,
		"/" + service + "%2f" + method: codes.Unimplemented, "/" + service + "/" + method + ".": codes.Unimplemented, "/" + service + "/" + method + "/": codes.Unimplemented,
	} {
		err := conn.Invoke(admin.Context(), path, &accessv1.ListAccountsRequest{}, &accessv1.ListAccountsResponse{})
		if got := status.Code(err); got != want {
			t.Errorf("%s: %v, want %v", path, err, want)
		}
	}
}

// Case C15: measurements, profiles and what the event server says of itself are not at the public address; the contract is told to whom it may be only.
func TestInnerPagesAreClosedToThePublic(t *testing.T) {
	stage := harness.OneProcess(t)
	for _, path := range []string{"/metrics", "/debug/pprof/", "/debug/vars", "/connz?auth=true", "/varz", "/.git/config"} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, stage.URL(path), http.NoBody)
		if err != nil {
			t.Fatal(err)
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		_ = resp.Body.Close()
		if resp.StatusCode != http.StatusNotFound {
			t.Errorf("%s: %s", path, resp.Status)
		}
	}
}
