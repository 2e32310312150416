package gateway_test

import (
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
	if before.Get("ETag") != after.Get("ETag") || plain["etag"] != answer["etag"] || after.Get("Vary") != "Coldsection-Units" {
		t.Errorf("etags %q and %q, Vary %q", before.Get("ETag"), after.Get("ETag"), after.Get("Vary"))
	}
	if status, problem, _ := w.rest("GET", "/v1/items/drum", w.admin, "", "Coldsection-Units", "metric"); status != 400 || problem["reason"] != "UNIT_SYSTEM_UNKNOWN" {
		t.Errorf("an unknown system: %d %v", status, problem)
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
