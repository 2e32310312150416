// Package referencetest asks other programs for what tests compare with: scipy and statsmodels of Debian's Python, which work every figure out anew in
// every run, so that nothing they say is written down here. A missing program is a failure, because a comparison left out proves nothing.
package referencetest

import (
	"bytes"
	"encoding/json"
	"math"
	"os/exec"
	"testing"
)

// Python hands input as JSON to a script of Debian's Python, as the variable given, and reads what the script puts into the variable figures: lists of
// numbers by name.
func Python(t *testing.T, script string, input any) map[string][]float64 {
	t.Helper()
	text, err := json.Marshal(input)
	if err != nil {
		t.Fatal(err)
	}
	whole := "import json, sys\ngiven = json.load(sys.stdin)\nfigures = {}\n" + script +
		"\njson.dump({k: [float(v) for v in values] for k, values in figures.items()}, sys.stdout)\n"
	cmd := exec.CommandContext(t.Context(), "/usr/bin/python3", "-W", "ignore", "-c", whole)
	var trouble bytes.Buffer
	cmd.Stdin, cmd.Stderr = bytes.NewReader(text), &trouble
	answer, err := cmd.Output()
	if err != nil {
		t.Fatalf("Python does not answer: %v. As root on Debian: apt-get install --no-install-recommends python3-numpy python3-scipy python3-statsmodels\n%s", err, &trouble)
	}
	figures := map[string][]float64{}
	if err := json.Unmarshal(answer, &figures); err != nil {
		t.Fatalf("%v in %s", err, answer)
	}
	return figures
}

// Agree compares figure by figure, relative to the size of theirs, and fails where there is nothing to compare.
func Agree(t *testing.T, what string, ours, theirs []float64, tolerance float64) {
	t.Helper()
	if len(ours) != len(theirs) || len(ours) == 0 {
		t.Fatalf("%s: %d figures beside %d", what, len(ours), len(theirs))
	}
	for i := range ours {
		if !(math.Abs(ours[i]-theirs[i]) <= tolerance*math.Max(1e-12, math.Abs(theirs[i]))) {
			t.Errorf("%s, figure %d: %.15g, the reference says %.15g", what, i, ours[i], theirs[i])
		}
	}
}
