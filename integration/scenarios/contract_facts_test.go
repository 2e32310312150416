package scenarios

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
	"time"

	"coldsection.example/services/platform/facts"
)

func escaped(text string) string { return url.QueryEscape(text) }

var (
	memberName = regexp.MustCompile(`^[a-z][a-zA-Z0-9]*$`)
	instant    = regexp.MustCompile(`^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}`)
)

// spelled is what is wrong with how an answer is written (check API-22): members in lowerCamelCase, times by RFC 3339 in UTC.
// Whole numbers of 64 bits as texts, and no number that is none, are in the description, with which every answer is compared.
func spelled(value any, path string) error {
	switch value := value.(type) {
	case map[string]any:
		for name, inner := range value {
			if !memberName.MatchString(name) && !strings.HasSuffix(path, ".metadata") {
				return fmt.Errorf("%s has a member %q", path, name)
			}
			if err := spelled(inner, path+"."+name); err != nil {
				return err
			}
		}
	case []any:
		for _, inner := range value {
			if err := spelled(inner, path); err != nil {
				return err
			}
		}
	case string:
		if _, err := time.Parse(time.RFC3339, value); instant.MatchString(value) && (err != nil || !strings.HasSuffix(value, "Z")) {
			return fmt.Errorf("%s is the time %q", path, value)
		}
	default:
	}
	return nil
}

// wellSpelled reads an answer and says what is wrong with how it is written.
func wellSpelled(text []byte) error {
	var body any
	if err := json.NewDecoder(bytes.NewReader(text)).Decode(&body); err != nil {
		return err
	}
	return spelled(body, "")
}

// Check EVT-02: testdata/facts.csv lists every type of fact that the story makes or that stands in the source as it is. Those that the story makes are marked "story", and are what its
// feed has, neither more nor less; every other one names the test that makes it, which exists.
func factsAreRegistered(t *testing.T, in told) {
	raw, err := os.ReadFile("testdata/facts.csv")
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(raw)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	made := map[string]bool{}
	for cursor, more := "", true; more; {
		page := must(t, in.stage.SignIn(t, "quality").REST("GET", "/v1/events?pageSize=1000&after="+cursor, nil))
		for _, e := range elements(page, "events") {
			event, _ := e.(map[string]any)
			made[text(event, "type")] = true
			teller := strings.NewReplacer("/coldsection/", "", "gateway", facts.Access).Replace(text(event, "source"))
			if of := facts.Of(text(event, "type")); of != teller {
				t.Errorf("%s tells %s, which package facts says is of the area %q", teller, text(event, "type"), of)
			}
		}
		cursor, more = text(page, "nextCursor"), len(elements(page, "events")) > 0
	}
	registered := map[string]string{}
	for _, row := range rows[1:] {
		registered[row[0]] = row[1]
		if row[1] == "story" && !made[row[0]] {
			t.Errorf("the story does not make %s", row[0])
		}
		parts := strings.Split(row[0], ".")
		if last := parts[len(parts)-2]; !pastTense.MatchString(last) {
			t.Errorf("%s does not end in what happened", row[0])
		}
	}
	for typ := range made {
		if registered[typ] != "story" {
			t.Errorf("the story makes %s, which testdata/facts.csv does not say", typ)
		}
	}
	for _, typ := range inSource(t) {
		if registered[typ] == "" {
			t.Errorf("testdata/facts.csv does not list %s", typ)
		}
	}
	checkMakers(t, registered)
}

var pastTense = regexp.MustCompile(`ed$|^(held|met|ran_low|granted|lapsed|withdrawn)$`)

// inSource are the types that stand in the source as they are.
func inSource(t *testing.T) []string {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), "grep", "-rhoE", "--include=*.go", "--exclude=*_test.go",
		`"coldsection\.[a-z_]+(\.[a-z_]+)+\.v1"`, "../../services", "../../gateway").Output()
	if err != nil {
		t.Fatal(err)
	}
	var types []string
	for typ := range strings.Lines(string(out)) {
		parts := strings.Split(strings.Trim(typ, "\"\n"), ".")
		if pastTense.MatchString(parts[len(parts)-2]) { // others are packages and forms of files
			types = append(types, strings.Join(parts, "."))
		}
	}
	return types
}

// checkMakers looks for the tests that make what the story does not.
func checkMakers(t *testing.T, registered map[string]string) {
	t.Helper()
	for typ, maker := range registered {
		if maker == "story" {
			continue
		}
		if err := exec.CommandContext(t.Context(), "grep", "-rqE", "--include=*_test.go", `^func `+maker+`\(`, "../../services", "../../gateway", "../../integration").Run(); err != nil {
			t.Errorf("%s is made by %s, and there is no such test", typ, maker)
		}
	}
}

// Check EVT-02, for the fact that no other test makes: stock goes from one place to another.
func stockMoves(t *testing.T, in told) {
	moved := must(t, in.stage.SignIn(t, "stores").REST("POST", "/v1/lots/cleaner-a:move", map[string]any{
		"quantity": quantity("0.2", "L"), "sourceLocation": "locations/shelf-a", "targetLocation": "locations/receiving",
	}))
	page := must(t, in.stage.SignIn(t, "quality").REST("GET", "/v1/events?wait=20s&types=coldsection.stock.moved.v1&subject="+escaped(text(moved, "name")), nil))
	if len(elements(page, "events")) != 1 {
		t.Errorf("the feed says of %v: %v", moved, page)
	}
}
