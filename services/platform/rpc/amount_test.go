package rpc_test

import (
	"errors"
	"regexp"
	"strings"
	"testing"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	"coldsection.example/services/platform/rpc"
)

// Amounts pass and fail as the rule in the contract says, which is read off the contract here, also where a look spares its evaluation.
func TestAmountsAreJudgedByTheContractsRule(t *testing.T) {
	v, err := protovalidate.New()
	if err != nil {
		t.Fatal(err)
	}
	rules, _ := proto.GetExtension((&commonv1.Quantity{}).ProtoReflect().Descriptor().Fields().ByName("value").Options(), validate.E_Field).(*validate.FieldRules)
	pattern, found := strings.CutPrefix(rules.GetCel()[0].GetExpression(), "this.matches('")
	if len(rules.GetCel()) != 1 || !found {
		t.Fatalf("the rule is no longer one pattern: %v", rules)
	}
	rule := regexp.MustCompile(strings.TrimSuffix(pattern, "')"))
	check := func(t interface {
		Errorf(format string, args ...any)
	}, text string) {
		err := rpc.Validate(v, &commonv1.Quantity{Value: text, UnitCode: "L"})
		blank := text != "" && strings.TrimSpace(text) == "" || strings.ContainsRune(text, 0) // which is refused before any rule
		if want := rule.MatchString(text) && !blank; (err == nil) != want {
			t.Errorf("%q: %v, want it to pass: %v", text, err, want)
		}
	}
	for _, text := range []string{
		"", "-", ".", "1", "-1", "1.", ".5", "1.5", "-0.300", "1.5.", "1.5.1", "1,5", "+1", "--1", "1-", "1e3", " 1", "1 ", "1\n", "1.5\n", "\n1", "٣", "1.٣",
		"1234567890123456789", "12345678901234567890", "1.1234567890123456789", "1.12345678901234567890", "-1234567890123456789.1234567890123456789",
	} {
		check(t, text)
	}
	rapid.Check(t, func(t *rapid.T) {
		check(t, rapid.OneOf(rapid.StringMatching(`-?[0-9]{0,21}([.][0-9]{0,21})?`), rapid.StringMatching(`[-+.,0-9e \n]{0,8}`), rapid.String()).Draw(t, "text"))
	})
	if err := rpc.Validate(v, &commonv1.Quantity{Value: "1.5"}); err == nil || errors.Is(err, nil) {
		t.Error("an amount without a unit passed, although only the rule of its value is spared")
	}
}
