package gateway_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"google.golang.org/grpc/metadata"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
)

// gallons is what 20 L are in US gallons: 20 / 3.785411784 (NIST Handbook 44, Appendix C).
const gallons = "5.283 US gal"

// read asks for the drum and says what it holds in its own unit and in the caller's, and its etag.
func (w *world) read(token string, units ...string) (own, theirs, etag string, err error) {
	w.t.Helper()
	var pairs []string
	for _, u := range units {
		pairs = append(pairs, "coldsection-units", u)
	}
	ctx := metadata.AppendToOutgoingContext(w.as(token), pairs...)
	item, err := consumablesv1.NewConsumablesQueryServiceClient(w.conn).GetItem(ctx, &consumablesv1.GetItemRequest{Name: "items/drum"})
	return item.GetReorderPoint().GetValue() + " " + item.GetReorderPoint().GetUnitCode(), item.GetReorderPoint().GetConverted().GetDisplayText(), item.GetEtag(), err
}

func TestACallChoosesTheUnitsOfItsAnswer(t *testing.T) {
	w := newWorld(t)
	for _, c := range []struct {
		units []string
		want  string
	}{{nil, ""}, {[]string{"US"}, gallons}, {[]string{"SI"}, "20 L"}} {
		own, theirs, etag, err := w.read(w.admin, c.units...)
		if err != nil || own != "20 L" || theirs != c.want || etag != "v1" {
			t.Errorf("%v: %s, %q, %s, %v; want 20 L, %q, v1", c.units, own, theirs, etag, err, c.want)
		}
	}
	for _, unknown := range []string{"", "us", "imperial"} {
		if _, _, _, err := w.read(w.admin, unknown); reasonOf(err) != "UNIT_SYSTEM_UNKNOWN" {
			t.Errorf("%q: %v", unknown, err)
		}
	}
}

func TestHTTPChoosesByAHeader(t *testing.T) {
	w := newWorld(t)
	_, plain, before := w.rest("GET", "/v1/items/drum", w.admin, "")
	status, answer, after := w.rest("GET", "/v1/items/drum", w.admin, "", "Coldsection-Units", "US")
	pack, _ := answer["reorderPoint"].(map[string]any)
	converted, _ := pack["converted"].(map[string]any)
	if status != 200 || pack["value"] != "20" || converted["value"] != "5.283" || converted["unitCode"] != "[gal_us]" || converted["rec20UnitCode"] != "GLL" {
		t.Errorf("%d %v", status, answer)
	}
	if before.Get("ETag") != `"v1"` || after.Get("ETag") != `"v1-US"` || plain["etag"] != answer["etag"] ||
		strings.Join(after.Values("Vary"), ", ") != "Authorization, Cookie, Coldsection-Units" {
		t.Errorf("etags %q and %q, Vary %q", before.Get("ETag"), after.Get("ETag"), after.Values("Vary"))
	}
	if status, problem, _ := w.rest("GET", "/v1/items/drum", w.admin, "", "Coldsection-Units", "metric"); status != 400 || problem["reason"] != "UNIT_SYSTEM_UNKNOWN" {
		t.Errorf("an unknown system: %d %v", status, problem)
	}
}

// A cache that had an answer before the account changed its units asks with that answer's etag and is sent the new one (RFC 9110 sections 8.8.1
// and 13.1.2); the version in the body stays, and a change rests on it, in whichever units it was read.
func TestACacheIsSentTheAnswerInNewUnits(t *testing.T) {
	w := newWorld(t)
	stores := w.hire("sten", "stores")
	choose := func(system accessv1.Session_UnitSystem) {
		t.Helper()
		if _, err := accessv1.NewSessionServiceClient(w.conn).ChangeUnitSystem(w.as(stores), &accessv1.ChangeUnitSystemRequest{UnitSystem: system}); err != nil {
			t.Fatal(err)
		}
	}
	read := func(had string) (status int, amount any, etag string) {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, w.http.URL+"/v1/items/drum", http.NoBody)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Authorization", "Bearer "+stores)
		req.Header.Set("If-None-Match", had)
		status, body, header := w.send(req)
		var answer map[string]any
		if err := json.Unmarshal([]byte(body), &answer); err != nil && status == 200 {
			t.Fatal(err)
		}
		pack, _ := answer["reorderPoint"].(map[string]any)
		converted, _ := pack["converted"].(map[string]any)
		if status == 200 && answer["etag"] != "v1" {
			t.Errorf("the version is %v", answer["etag"])
		}
		return status, converted["value"], header.Get("ETag")
	}
	had := ""
	for _, c := range []struct {
		system accessv1.Session_UnitSystem
		amount any
		etag   string
	}{
		{accessv1.Session_US, "5.283", `"v1-US"`}, {accessv1.Session_SI, "20", `"v1-SI"`}, {accessv1.Session_UNIT_SYSTEM_UNSPECIFIED, nil, `"v1"`},
		{accessv1.Session_US, "5.283", `"v1-US"`},
	} {
		choose(c.system)
		status, amount, etag := read(had)
		if status != 200 || amount != c.amount || etag != c.etag {
			t.Errorf("%v after %s: %d, %v, %s", c.system, had, status, amount, etag)
		}
		if status, _, again := read(etag); status != 304 || again != etag {
			t.Errorf("%v, read twice: %d %s", c.system, status, again)
		}
		had = etag
	}
	_, account, _ := w.rest("GET", "/v1/accounts/sten", w.admin, "")
	now, _ := account["etag"].(string)
	for _, c := range []struct {
		match  string
		status int
	}{{`"v999-US"`, 412}, {`"` + now + `-EU"`, 412}, {`"` + now + `-US"`, 200}} {
		if status, answer, _ := w.rest("POST", "/v1/accounts/sten:disable", w.admin, "{}", "If-Match", c.match); status != c.status {
			t.Errorf("a change on %s: %d %v", c.match, status, answer)
		}
	}
}

// A refused system is refused before anything is done.
func TestAChangeInUnknownUnitsIsNotMade(t *testing.T) {
	w := newWorld(t)
	ctx := metadata.AppendToOutgoingContext(w.as(w.admin), "coldsection-units", "metric")
	_, err := consumablesv1.NewConsumablesServiceClient(w.conn).CreateItem(ctx, &consumablesv1.CreateItemRequest{
		Item: &consumablesv1.Item{DisplayName: "brush", Kind: consumablesv1.Item_CLEANER, BaseUnitCode: "L"},
	})
	if reasonOf(err) != "UNIT_SYSTEM_UNKNOWN" || w.made.Load() != 0 {
		t.Errorf("made %d, %v", w.made.Load(), err)
	}
}

// What an answer had in the caller's units does not go back into a record with a request.
func TestConvertedAmountsOfRequestsAreThrownAway(t *testing.T) {
	w := newWorld(t)
	body := `{"displayName":"Cleaner","kind":"CLEANER","baseUnitCode":"L","reorderPoint":{"value":"20","unitCode":"L","converted":{"value":"9","unitCode":"L"}}}`
	status, answer, _ := w.rest("POST", "/v1/items", w.admin, body)
	pack, _ := answer["reorderPoint"].(map[string]any)
	if status != 200 || pack["value"] != "20" || pack["converted"] != nil {
		t.Errorf("%d %v", status, answer)
	}
}

func TestAnAccountChoosesItsUnitsForEveryCall(t *testing.T) {
	w := newWorld(t)
	sessions, stores := accessv1.NewSessionServiceClient(w.conn), w.hire("sten", "stores")
	session, err := sessions.ChangeUnitSystem(w.as(stores), &accessv1.ChangeUnitSystemRequest{UnitSystem: accessv1.Session_US})
	if err != nil || session.GetUnitSystem() != accessv1.Session_US {
		t.Fatalf("%v, %v", session, err)
	}
	if own, theirs, _, err := w.read(stores); err != nil || own != "20 L" || theirs != gallons {
		t.Errorf("the account's own choice: %s, %q, %v", own, theirs, err)
	}
	if _, theirs, _, err := w.read(stores, "SI"); err != nil || theirs != "20 L" {
		t.Errorf("a call that says otherwise: %q, %v", theirs, err)
	}
	if _, theirs, _, err := w.read(w.admin); err != nil || theirs != "" {
		t.Errorf("another account: %q, %v", theirs, err)
	}
	if now, err := sessions.GetCurrentSession(w.as(stores), &accessv1.GetCurrentSessionRequest{}); err != nil || now.GetUnitSystem() != accessv1.Session_US {
		t.Errorf("the session says %v, %v", now, err)
	}
	if status, answer, _ := w.rest("GET", "/v1/items/drum", stores, ""); status != 200 || answer["reorderPoint"].(map[string]any)["converted"] == nil {
		t.Errorf("over HTTP: %d %v", status, answer)
	}
	if _, err := sessions.ChangeUnitSystem(w.as(stores), &accessv1.ChangeUnitSystemRequest{}); err != nil {
		t.Fatal(err)
	}
	if _, theirs, _, err := w.read(stores); err != nil || theirs != "" {
		t.Errorf("none chosen any more: %q, %v", theirs, err)
	}
	if _, err := sessions.ChangeUnitSystem(w.as(stores), &accessv1.ChangeUnitSystemRequest{UnitSystem: 7}); reasonOf(err) != "FIELD_INVALID" {
		t.Errorf("a system that is none: %v", err)
	}
}
