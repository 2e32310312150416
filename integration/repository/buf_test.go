package repository

import (
	"os"
	"reflect"
	"testing"

	"github.com/goccy/go-yaml"
)

// bufRules are what buf.yaml says of lint and of breaking changes.
type bufRules struct {
	Lint     map[string]any `yaml:"lint"`
	Breaking map[string]any `yaml:"breaking"`
}

// agreedRules are those that the contract is held to: all of the linter's standard and comments, but for the three rules that resource
// methods by the AIPs can't keep (a method returns its resource, and the values of a nested enum have no prefix), and no way round them in a file.
var agreedRules = bufRules{
	Lint: map[string]any{
		"use":                      []any{"STANDARD", "COMMENTS"},
		"except":                   []any{"RPC_REQUEST_RESPONSE_UNIQUE", "RPC_RESPONSE_STANDARD_NAME", "ENUM_VALUE_PREFIX"},
		"disallow_comment_ignores": true,
	},
	Breaking: map[string]any{"use": []any{"WIRE_JSON"}},
}

// Check API-01: the contract is linted with the three agreed exceptions and no other, and judged for breaking changes in JSON and on the wire.
func TestTheContractIsLintedByTheAgreedRules(t *testing.T) {
	text, err := os.ReadFile("../../buf.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if got := rulesIn(t, string(text)); !reflect.DeepEqual(got, agreedRules) {
		t.Errorf("buf.yaml says %v, agreed is %v", got, agreedRules)
	}
}

// A fourth exception, a file that is left out, or a rule less is seen.
func TestAnotherExceptionOfTheLinterIsSeen(t *testing.T) {
	const agreed = "lint:\n  use: [STANDARD, COMMENTS]\n  except: [RPC_REQUEST_RESPONSE_UNIQUE, RPC_RESPONSE_STANDARD_NAME, ENUM_VALUE_PREFIX"
	const rest = "]\n  disallow_comment_ignores: true\nbreaking:\n  use: [WIRE_JSON]\n"
	if got := rulesIn(t, agreed+rest); !reflect.DeepEqual(got, agreedRules) {
		t.Errorf("the agreed rules are read as %v", got)
	}
	for _, other := range []string{agreed + ", SERVICE_SUFFIX" + rest, agreed + rest + "  ignore: [proto/a.proto]\n", agreed + rest + "  except: [FIELD_SAME_TYPE]\n"} {
		if got := rulesIn(t, other); reflect.DeepEqual(got, agreedRules) {
			t.Errorf("%s passes", other)
		}
	}
}

func rulesIn(t *testing.T, text string) (rules bufRules) {
	t.Helper()
	if err := yaml.Unmarshal([]byte(text), &rules); err != nil {
		t.Fatal(err)
	}
	return rules
}
