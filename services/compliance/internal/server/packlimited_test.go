package server_test

import (
	"context"
	"regexp"
	"strings"
	"testing"
	"time"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/printing/printingtest"
	"coldsection.example/services/platform/recordpack"
)

// auditor is a caller of quality who is limited to owners.
func (w *world) auditor(account string, limit ...string) context.Context {
	return auth.NewContext(w.t.Context(), auth.Identity{Account: "accounts/" + account, Roles: []string{"quality"}, Kind: auth.Human, Owners: limit})
}

// packedAs makes a pack of a subject as it is now for somebody, and reads it back.
func (w *world) packedAs(ctx context.Context, subject string) (*compliancev1.RecordPack, map[string]string) {
	w.t.Helper()
	begun := must(w.packs.CreateRecordPack(ctx, &compliancev1.CreateRecordPackRequest{RecordPack: &compliancev1.RecordPack{Subject: subject}}))(w.t)
	after := w.restarted()
	for range 3 {
		if _, err := after.Operations.Once(w.t.Context()); err != nil {
			w.t.Fatal(err)
		}
	}
	done := must(w.operations.GetOperation(ctx, &operationsv1.GetOperationRequest{Name: begun.GetName()}))(w.t)
	pack := &compliancev1.RecordPack{}
	if err := done.GetResponse().UnmarshalTo(pack); err != nil {
		w.t.Fatalf("%v: %v", done, err)
	}
	file := must(w.packs.DownloadRecordPack(ctx, &compliancev1.DownloadRecordPackRequest{Name: pack.GetName()}))(w.t).GetContent()
	if r := recordpack.Verify(file, pack.GetPublicKey()); len(r.Faults) > 0 {
		w.t.Errorf("%+v", r)
	}
	files := unpacked(w.t, file)
	files["index.pdf"] = strings.Join(strings.Fields(printingtest.Text(w.t, []byte(files["index.pdf"]))), "") // names are broken to fit their columns
	return pack, files
}

// lentWithRecords is a lent engine with all that a pack holds: records, findings, flying, swaps of parts between owners and corrections.
func (w *world) lentWithRecords() {
	w.t.Helper()
	w.lifeLimit("demo", 15000, on(2020, 1, 1))
	w.disc("d1", 0)
	w.lent()
	wash(w)
	for _, err := range []error{w.put("d1", "engines/one", 2), w.take("d1", 5)} {
		if err != nil {
			w.t.Fatal(err)
		}
	}
	must(w.commands.InstallComponent(w.as("planner"), &compliancev1.InstallComponentRequest{
		Name: "components/d1", Host: "engines/two", Position: "second disc", InstallDate: on(2026, 3, 6),
	}))(w.t)
	w.legs(3, 4, 4)
	w.legs(13, 2, 2)
	w.released("workOrders/7", "engines/two")
	w.released("workOrders/8", "engines/one")
	w.tell("9", deferred(w.found("9", workordersv1.Finding_RAISED)))
	w.tellOf("10", "engines/two", deferred(w.found("10", workordersv1.Finding_RAISED)))
	w.clock.Advance(24 * time.Hour)
}

// What a pack must not tell, for each owner: names, serials and registrations of the other's things, and the other owner.
var notToTell = map[string]*regexp.Regexp{
	"north": regexp.MustCompile(`aircraft/plane|DEMO-1\b|engines/one\b|D-1001|\bsouth\b`),
	"south": regexp.MustCompile(`engines/two\b|D-1002|components/p1|components/d1|\bnorth\b`),
}

// An account that is limited to owners has packs of its own things, with nothing of another's in any file: the whole pack is walked.
func TestAPackOfALimitedAccountHoldsNothingOfAnother(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.lentWithRecords()
		for _, c := range []struct {
			owner, subject string
			holds          map[string]string
		}{
			{"north", "engines/two", map[string]string{
				"records.csv": "workOrders/7", "flying.csv": "of another owner", "life-limits.csv": "d1", "open-findings.csv": "chafed hose",
				"index.pdf": "Limitedtowhatbelongstonorth",
			}},
			{"south", "aircraft/plane", map[string]string{"status.json": "belongs to another owner", "flying.csv": "aircraft/plane", "index.pdf": "Limitedtowhatbelongstosouth"}},
			{"south", "engines/one", map[string]string{"records.csv": "workOrders/8", "fittings.csv": "aircraft/plane"}},
		} {
			pack, files := w.packedAs(w.auditor(c.owner, c.owner), c.subject)
			if pack.GetLimitedTo() != c.owner {
				t.Errorf("%s is limited to %q", c.subject, pack.GetLimitedTo())
			}
			for path, content := range files {
				if found := notToTell[c.owner].FindString(content); found != "" {
					t.Errorf("%s of %s for %s tells of %q:\n%s", path, c.subject, c.owner, found, content)
				}
			}
			for path, want := range c.holds {
				if !strings.Contains(files[path], want) {
					t.Errorf("%s of %s lacks %q:\n%s", path, c.subject, want, files[path])
				}
			}
			_, all := w.packedAs(w.as("quality"), c.subject)
			told := ""
			for _, content := range all {
				told += notToTell[c.owner].FindString(content)
			}
			if c.subject != "engines/one" && told == "" {
				t.Errorf("who is not limited is told nothing of another's in %s, so the walk proves nothing", c.subject)
			}
		}
	})
}

// What is another's is refused as what does not exist: to make a pack of it, and to read one that was made under another limit or none.
func TestPacksOfOthersDoNotExist(t *testing.T) {
	onEngines(t, func(t *testing.T, w *world) {
		w.lentWithRecords()
		north, both := w.auditor("nell", "north"), w.auditor("bea", "south", "north")
		create := func(subject string) error {
			_, err := w.packs.CreateRecordPack(north, &compliancev1.CreateRecordPackRequest{RecordPack: &compliancev1.RecordPack{Subject: subject}})
			return err
		}
		foreign, random := create("engines/one"), create("engines/zzz")
		if refused(t, foreign, "NOT_FOUND"); foreign.Error() != strings.ReplaceAll(random.Error(), "zzz", "one") {
			t.Errorf("%v is not %v", foreign, random)
		}
		own, _ := w.packedAs(north, "engines/two")
		w.packedAs(w.as("quality"), "engines/two")
		wide, files := w.packedAs(both, "aircraft/plane")
		if wide.GetLimitedTo() != "north south" || !strings.Contains(files["status.json"], "engines/two") {
			t.Errorf("%v", wide)
		}
		all, _ := w.packedAs(w.as("quality"), "engines/two")
		for _, name := range []string{all.GetName(), wide.GetName(), "recordPacks/none"} {
			_, err := w.packs.GetRecordPack(north, &compliancev1.GetRecordPackRequest{Name: name})
			refused(t, err, "NOT_FOUND")
			_, err = w.packs.DownloadRecordPack(north, &compliancev1.DownloadRecordPackRequest{Name: name})
			refused(t, err, "NOT_FOUND")
		}
		for who, want := range map[context.Context]int{north: 1, both: 1, w.as("quality"): 4, w.auditor("eve", "east"): 0} {
			if list := must(w.packs.ListRecordPacks(who, &compliancev1.ListRecordPacksRequest{Filter: `subject != "engines/zzz"`}))(t).GetRecordPacks(); len(list) != want {
				t.Errorf("%d packs, want %d: %v", len(list), want, list)
			}
		}
		again := must(w.packs.GetRecordPack(w.auditor("nils", "north"), &compliancev1.GetRecordPackRequest{Name: own.GetName()}))(t)
		if again.GetSha256() != own.GetSha256() {
			t.Errorf("another account of the same limit reads %v", again)
		}
	})
}
