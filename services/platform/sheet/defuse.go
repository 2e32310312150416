package sheet

import (
	"fmt"
	"regexp"
	"strings"
)

var (
	// asFormula is how a cell begins that a spreadsheet takes for a formula, after quotes that defuse one.
	asFormula = regexp.MustCompile(`^'*[=+\-@\t\r\n]`)
	armed     = regexp.MustCompile(`^'+[=+\-@\t\r\n]`)
	// plainNumber is a number without grouping; a minus in front of it is no formula.
	plainNumber = regexp.MustCompile(`^[+-]?[0-9]+([.,][0-9]+)?$`)
)

// defuse puts a single quote before a cell that a spreadsheet would take for a formula (OWASP, CSV Injection). Cells that
// look defused already get one more, so that arm gives back exactly what was there.
func defuse(cell string) string {
	if asFormula.MatchString(cell) && !plainNumber.MatchString(cell) {
		return "'" + cell
	}
	return cell
}

// arm takes the single quote of defuse off again.
func arm(cell string) string {
	if armed.MatchString(cell) {
		return strings.TrimPrefix(cell, "'")
	}
	return cell
}

func sentence(format string, args ...any) string { return fmt.Sprintf(format, args...) }
