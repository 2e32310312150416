package rpc_test

import (
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"

	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// A refusal fits into the headers of an answer, however long what it speaks of is: it keeps its reason, its first violations and the values that it
// was given by name, says that it was cut and how many violations it leaves out, and stays text.
func TestARefusalFitsIntoAnAnswersHeaders(t *testing.T) {
	long := fault.Precondition("TOO_LONG", "%s", strings.Repeat("\u00e9", 40_000)).With("lot", "lots/a")
	for i := range 5_000 {
		long = long.With(fmt.Sprintf("a%04d", i), strings.Repeat("x", 600))
		long.Violations = append(long.Violations, fault.Violation{Field: strings.Repeat("f", 1_000), Description: fmt.Sprintf("%d%s", i, strings.Repeat("\xff", 9_000)), Reason: "BAD"})
	}
	err := rpc.ToStatus(long)
	back, _ := fault.As(rpc.FromStatus(err))
	s, _ := status.FromError(err)
	if size := proto.Size(s.Proto()); size > 12_000 || back.Reason != "TOO_LONG" || !utf8.ValidString(s.Message()) || !strings.HasSuffix(s.Message(), "\u00e9…") {
		t.Errorf("%d bytes, %s, %q", size, back.Reason, s.Message()[len(s.Message())-20:])
	}
	if n := len(back.Violations); n == 0 || n > 30 || !strings.HasPrefix(back.Violations[0].Description, "0\uFFFD") {
		t.Errorf("%d violations", n)
	}
	few := fault.Invalid("quantity.value", "FIELD_INVALID", "It is %q.", "a").With("lot", "lots/a")
	back, _ = fault.As(rpc.FromStatus(rpc.ToStatus(few)))
	if back.Message != few.Message || back.Metadata["lot"] != "lots/a" || back.Metadata["violations_left_out"] != "" || len(back.Violations) != 1 {
		t.Errorf("a short one became %+v", back)
	}
	many := fault.Invalid("a", "FIELD_INVALID", "It is wrong.")
	for range 999 {
		many.Violations = append(many.Violations, fault.Violation{Field: "requests[0].name", Description: strings.Repeat("wrong ", 10), Reason: "FIELD_INVALID"})
	}
	if back, _ := fault.As(rpc.FromStatus(rpc.ToStatus(many))); back.Metadata["violations_left_out"] != fmt.Sprint(1000-len(back.Violations)) {
		t.Errorf("of 1,000 it tells %d and leaves out %q", len(back.Violations), back.Metadata["violations_left_out"])
	}
}
