package facts_test

import (
	"encoding/csv"
	"os"
	"strings"
	"testing"

	"coldsection.example/services/platform/facts"
)

// Every type that is told has the one area of its part, and that part may tell it: an event server takes from it what a prefix goes on to, so that
// "coldsection.engine.changed.*" would not let through coldsection.engine.changed.v1, whose subject has no version.
func TestEachPartMayTellWhatIsTold(t *testing.T) {
	f, err := os.Open("../../../integration/scenarios/testdata/facts.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 50 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		typ := row[0]
		var tellers []string
		for _, area := range facts.Areas() {
			for _, pattern := range facts.Types(area) {
				if holds(pattern, typ) {
					tellers = append(tellers, area)
				}
			}
		}
		if len(tellers) != 1 || tellers[0] != facts.Of(typ) {
			t.Errorf("%s is of %q and may be told by %v", typ, facts.Of(typ), tellers)
		}
	}
}

// holds says whether the subject of a type is one that the event servers let through for a pattern.
func holds(pattern, typ string) bool {
	prefix, all := strings.CutSuffix(pattern, "*")
	subject := strings.TrimSuffix(typ, ".v1")
	return pattern == typ || all && strings.HasPrefix(subject, prefix) && subject != prefix
}
