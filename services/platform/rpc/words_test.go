package rpc_test

import (
	"testing"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// Whoever leaves out a word of a list is told which words there are, and one that no program knows is told as before.
func TestAWordThatIsLeftOutIsAskedForWithTheList(t *testing.T) {
	v, err := protovalidate.New()
	if err != nil {
		t.Fatal(err)
	}
	for want, m := range map[string]proto.Message{
		"account.kind: must be stated: one of HUMAN, MACHINE. Correct it and send the request again.": &accessv1.CreateAccountRequest{
			Account: &accessv1.Account{Login: "aa", DisplayName: "x", Roles: []string{"viewer"}},
		},
		"unit: must be stated: one of HOURS, CYCLES, CALENDAR_MONTHS_END, MONTHS, DAYS, FIXED_DATE, STARTS. Correct it and send the request again.": &compliancev1.IntervalLimit{Amount: 5},
	} {
		f, refused := fault.As(rpc.Validate(v, m))
		if !refused || len(f.Violations) != 1 || f.Message != want || f.Violations[0].Description != want {
			t.Errorf("%v, want %q", f, want)
		}
	}
	f, _ := fault.As(rpc.Validate(v, &compliancev1.IntervalLimit{Amount: 5, Unit: 99}))
	if f == nil || len(f.Violations) != 1 || f.Violations[0].Field != "unit" {
		t.Errorf("a unit that nobody knows: %v", f)
	}
}
