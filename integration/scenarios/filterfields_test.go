package scenarios

import (
	"encoding/json"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// fieldsDescribed is where a list's description says what it can be filtered by.
var fieldsDescribed = regexp.MustCompile(`Filter fields?: ([^.]*)\.`)

// remark is what a description says of a field in brackets.
var remark = regexp.MustCompile(`\([^)]*\)`)

// isDescribed holds the fields that a list takes to those that its description names: who reads of one that is refused, or never hears of one that
// is taken, is served by neither.
func (l filtered) isDescribed(operations map[string]string) {
	said := strings.Join(strings.Fields(operations[string(l.method.Parent().Name())+"_"+string(l.method.Name())]), " ")
	var named []string
	if found := fieldsDescribed.FindStringSubmatch(said); found != nil {
		for name := range strings.SplitSeq(remark.ReplaceAllString(found[1], ""), ",") {
			named = append(named, strings.Fields(name)[0])
		}
	}
	slices.Sort(named)
	if taken := l.fields(); !slices.Equal(named, taken) {
		l.t.Errorf("%s takes %v, and its description names %v: %q", l.path, taken, named, said)
	}
}

// described are what the API's description says of its operations.
func described(t *testing.T, document string) map[string]string {
	t.Helper()
	var api struct {
		Paths map[string]map[string]struct {
			OperationID string `json:"operationId"`
			Description string `json:"description"`
		} `json:"paths"`
	}
	if err := json.Unmarshal([]byte(document), &api); err != nil {
		t.Fatal(err)
	}
	said := map[string]string{}
	for _, operations := range api.Paths {
		for _, o := range operations {
			said[o.OperationID] = o.Description
		}
	}
	return said
}
