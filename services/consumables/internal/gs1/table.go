// Package gs1 reads and writes GS1 element strings: what a scanner sends for a supplier's bar code, the same with the
// identifiers in brackets as people read it, and GS1 Digital Link addresses.
//
// Rules and names are those of the GS1 General Specifications: application identifiers with fixed or variable length, FNC1
// as separator (a scanner sends it as \x1d), symbology identifiers, character sets, check digits, two-digit years, and which
// identifiers need or exclude each other. The table of identifiers is in identifiers.txt, with its source.
package gs1

import (
	_ "embed"
	"fmt"
	"strconv"
	"strings"
)

//go:embed identifiers.txt
var identifiersText string

// identifier is one row of the table.
type identifier struct {
	ai         string
	parts      []part
	fixed      bool       // needs no separator behind it
	needs      [][]string // one of these groups must be there whole
	excludes   []string
	key        bool       // may begin a Digital Link
	qualifiers [][]string // in their order, alternatives
	attribute  bool       // may be an attribute of a Digital Link
	title      string
}

// part is a piece of a value.
type part struct {
	set      byte // N, X, Y or Z
	min, max int
	optional bool
	checks   []string
}

var byAI, aiLength = readTable(identifiersText)

// readTable also learns how long identifiers are that begin with two given digits; all of them are equally long.
func readTable(text string) (table map[string]identifier, lengths map[string]int) {
	table, lengths = map[string]identifier{}, map[string]int{}
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		fields := strings.SplitN(strings.TrimSpace(line), " ", 8)
		first, last, isRange := strings.Cut(fields[0], "-")
		if !isRange {
			last = first
		}
		from, to := number(first), number(last)
		for n := from; n <= to; n++ {
			row := readRow(fmt.Sprintf("%0*d", len(first), n), fields)
			table[row.ai] = row
			lengths[row.ai[:2]] = len(row.ai)
		}
	}
	return table, lengths
}

// number reads digits of the table; a table that can't be read is a mistake of this package.
func number(digits string) int {
	n, err := strconv.Atoi(digits)
	if err != nil {
		panic("gs1: identifiers.txt: " + err.Error())
	}
	return n
}

func readRow(ai string, fields []string) identifier {
	row := identifier{ai: ai, fixed: fields[2] == "fixed", attribute: fields[6] == "attr", title: fields[7]}
	for format := range strings.SplitSeq(fields[1], "/") {
		row.parts = append(row.parts, readPart(format))
	}
	for _, group := range listed(fields[3], ",") {
		row.needs = append(row.needs, strings.Split(group, "+"))
	}
	row.excludes = listed(fields[4], ",")
	row.key = fields[5] != "-"
	if row.key && fields[5] != "." {
		for _, order := range listed(fields[5], "|") {
			row.qualifiers = append(row.qualifiers, strings.Split(order, ","))
		}
	}
	return row
}

func listed(field, separator string) []string {
	if field == "-" {
		return nil
	}
	return strings.Split(field, separator)
}

func readPart(format string) part {
	format, optional := strings.CutPrefix(format, "?")
	names := strings.Split(format, ":")
	p := part{set: names[0][0], optional: optional, checks: names[1:]}
	if most, variable := strings.CutPrefix(names[0][1:], ".."); variable {
		p.min, p.max = 1, number(most)
	} else {
		p.min = number(names[0][1:])
		p.max = p.min
	}
	return p
}

// matches says whether an identifier is meant by a pattern such as 31nn.
func matches(ai, pattern string) bool {
	if len(ai) != len(pattern) {
		return false
	}
	for i := range len(ai) {
		if pattern[i] != 'n' && pattern[i] != ai[i] {
			return false
		}
	}
	return true
}
