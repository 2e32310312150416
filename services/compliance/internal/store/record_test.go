package store_test

import (
	"testing"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/compliance/internal/store"
)

// anyAccomplishment is one with every field that a record may have.
func anyAccomplishment(t *rapid.T) *compliancev1.Accomplishment {
	a := &compliancev1.Accomplishment{
		Name: "requirements/" + rapid.String().Draw(t, "requirement") + "/accomplishments/1", Subject: rapid.String().Draw(t, "subject"),
		WorkOrder: rapid.String().Draw(t, "order"), Supersedes: rapid.String().Draw(t, "supersedes"), Method: rapid.String().Draw(t, "method"),
		DoneDate:  &date.Date{Year: rapid.Int32Range(1900, 2200).Draw(t, "year"), Month: rapid.Int32Range(1, 12).Draw(t, "month"), Day: rapid.Int32Range(1, 31).Draw(t, "day")},
		Certifier: "people/ada", Void: rapid.Bool().Draw(t, "void"), Signatures: []*commonv1.Signature{{Person: "people/bo"}}, ReleaseHash: "ab",
	}
	if rapid.Bool().Draw(t, "counted") {
		a.Counters = &compliancev1.Counters{
			OperatingSeconds: rapid.Int64().Draw(t, "seconds"), Cycles: rapid.Int64().Draw(t, "cycles"), Starts: rapid.Int64().Draw(t, "starts"), Landings: rapid.Int64().Draw(t, "landings"),
		}
	}
	if rapid.Bool().Draw(t, "created") {
		a.CreateTime = &timestamppb.Timestamp{Seconds: rapid.Int64Range(0, 1<<33).Draw(t, "at"), Nanos: rapid.Int32Range(0, 999_999).Draw(t, "microseconds") * 1000}
	}
	return a
}

// What is read of a record without reading it whole is what the whole record says.
func TestARecordSaysWhatTheAccomplishmentDoes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyAccomplishment(t)
		body, err := proto.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		all, err := store.Records{body}.Read()
		if err != nil {
			t.Fatal(err)
		}
		r, d, c := all[0], a.GetDoneDate(), a.GetCounters()
		if r.Name != a.GetName() || r.Supersedes != a.GetSupersedes() || r.Void != a.GetVoid() || r.Recorded != a.GetCreateTime().AsTime().UnixMicro() ||
			r.DoneDate != (civil.Date{Year: int(d.GetYear()), Month: int(d.GetMonth()), Day: int(d.GetDay())}) {
			t.Fatalf("%+v of %v", r, a)
		}
		if r.Counted != (c != nil) || r.Counters != (due.Counters{Seconds: c.GetOperatingSeconds(), Cycles: c.GetCycles(), Starts: c.GetStarts()}) || r.Landings != c.GetLandings() {
			t.Fatalf("%+v of %v", r, a)
		}
		if whole, err := r.Whole(); err != nil || !proto.Equal(whole, a) {
			t.Fatalf("%v, %v", whole, err)
		}
	})
}

// FuzzRecord reads bytes that are no record: they are an error or what the protocol's own reader makes of them, and never a panic. The protocol's
// reader is stricter about text.
func FuzzRecord(f *testing.F) {
	body, err := proto.Marshal(&compliancev1.Accomplishment{
		Name: "requirements/r/accomplishments/a", Subject: "engines/e", DoneDate: &date.Date{Year: 2026, Month: 3, Day: 1}, Counters: &compliancev1.Counters{Cycles: 7}, Void: true,
	})
	if err != nil {
		f.Fatal(err)
	}
	for cut := range body {
		f.Add(body[:cut])
	}
	f.Add(append(body, 0x0a, 0xff))
	f.Fuzz(func(t *testing.T, body []byte) {
		all, err := store.Records{body}.Read()
		whole := &compliancev1.Accomplishment{}
		if strict := proto.Unmarshal(body, whole); strict != nil {
			return
		}
		if err != nil {
			t.Fatalf("%x is a record, and is refused: %v", body, err)
		}
		if all[0].Name != whole.GetName() || all[0].Supersedes != whole.GetSupersedes() || all[0].Void != whole.GetVoid() {
			t.Fatalf("%+v of %v", all[0], whole)
		}
	})
}
