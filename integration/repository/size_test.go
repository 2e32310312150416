package repository

import (
	"slices"
	"testing"
)

// The longest that a hand-written file may be, in lines, and the longest that nine in ten are.
const (
	maxLines    = 600
	mostlyLines = 350
)

func TestFilesStaySmall(t *testing.T) {
	var lengths []int
	for _, s := range goFiles(t) {
		if s.generated {
			continue
		}
		if s.lines > maxLines {
			t.Errorf("%s has %d lines; split it below %d", s.path, s.lines, maxLines)
		}
		if !s.test {
			lengths = append(lengths, s.lines)
		}
	}
	slices.Sort(lengths)
	if p90 := lengths[len(lengths)*9/10]; p90 > mostlyLines {
		t.Errorf("a tenth of the files is longer than %d lines; split the longest", p90)
	}
}
