package sheet

import (
	"bytes"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"
)

var (
	// failed are what a spreadsheet shows for a formula that came to nothing (ECMA-376 part 1, 18.18.11).
	failed = regexp.MustCompile(`^#(N/A|REF!|VALUE!|NAME\?|DIV/0!|NULL!|NUM!|SPILL!|CALC!|GETTING_DATA)$`)
	// asDate are texts such as 12-Mar, 3/4/26, 14:30 or 1.2E+06.
	asDate = regexp.MustCompile(`[A-Za-z/:]|[0-9]-`)
	// byPowers is what spreadsheets write of a long number that they show by powers of ten, such as 1.23457E+18.
	byPowers = regexp.MustCompile(`^[+-]?[0-9]([.,][0-9]+)?E\+[0-9]{2,3}$`)
	// asStored is a number as a workbook keeps it.
	asStored = regexp.MustCompile(`^[+-]?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?$`)
)

// again is what to do about a text that a spreadsheet made a number of.
const again = "Format the column as text and type the value again."

// digitsKept is how many digits of a number a spreadsheet keeps.
const digitsKept = 15

// longNumber says whether a number has more digits than are kept, or is written by a power of ten, as a workbook keeps the longest.
func longNumber(cell string) bool {
	if len(cell) <= digitsKept && !strings.ContainsAny(cell, "eE") || !asStored.MatchString(cell) {
		return false
	}
	mantissa, _, powers := strings.Cut(strings.ToUpper(cell), "E")
	return powers || len(strings.TrimLeft(strings.Replace(strings.TrimLeft(mantissa, "+-"), ".", "", 1), "0")) > digitsKept
}

// asTyped is a number of a workbook by the digits that were typed, and whether these were no more than are kept: 4.1 is kept as 4.0999999999999996.
func asTyped(cell string) (short string, whole bool) {
	short, whole = stored(cell, XLSX)
	if !whole {
		return "", false
	}
	held, err := strconv.ParseFloat(cell, 64)
	typed, bad := strconv.ParseFloat(short, 64)
	return short, err == nil && bad == nil && held == typed
}

// text reads a cell that holds a text, such as a lot's number. In a workbook a number that is shown with zeros before it has them; one that the
// spreadsheet made of a text, as a date of "3-4", or of which it kept a part of the digits, is refused, because what was typed is gone.
func (r reader) text(cell, shown string, rounded bool) (value, reason, text string) {
	if short, whole := asTyped(cell); rounded && whole {
		cell, rounded = short, false
	}
	switch {
	case rounded:
		return "", "VALUE_INVALID", sentence("The cell holds the number %.40s, and a spreadsheet keeps %d digits of a number: the rest of what was typed is gone. "+again, cell, digitsKept)
	case r.table.Format != Parquet && byPowers.MatchString(cell):
		return "", "VALUE_INVALID", sentence("The cell says %.40q, which a spreadsheet writes for a long number: most of its digits are gone. "+again, cell)
	case failed.MatchString(cell):
		return "", "VALUE_INVALID", sentence("The cell's formula failed: it says %s. Put the formula right, or type the value.", cell)
	case r.table.Format != XLSX:
		return cell, "", ""
	case strings.TrimLeft(shown, "0") == cell:
		return shown, "", ""
	case shown != "" && asDate.MatchString(shown) && len(cell) < 12: // longer numbers are shown by a power of ten wherever they stand
		return "", "VALUE_INVALID", sentence("The cell shows %.40q and holds the number %.40s: the spreadsheet took it for a date or a number. "+again, shown, cell)
	}
	return cell, "", ""
}

// seeker says whether a word stands in what is written to it.
type seeker struct {
	word  string
	tail  []byte
	found bool
}

// Write looks at bytes and the end of those before.
func (s *seeker) Write(p []byte) (int, error) {
	if !s.found {
		keep := len(s.word) - 1
		edge := slices.Concat(s.tail, p[:min(len(p), keep)])
		s.found = bytes.Contains(edge, []byte(s.word)) || bytes.Contains(p, []byte(s.word))
		if s.tail = edge; len(p) > keep {
			s.tail = p
		}
		s.tail = slices.Clone(s.tail[max(0, len(s.tail)-keep):])
	}
	return len(p), nil
}

// dropMerged makes problems of rows with cells that are merged: the first alone holds the value, and the others look as if they had it. Reason:
// TABLE_TOO_LARGE, of areas that lie on one another.
func (b *builder) dropMerged(f *excelize.File, name string) error {
	merged, err := f.GetMergeCells(name)
	if err != nil {
		return unreadableWorkbook(err)
	}
	bad, looked := map[int]bool{}, 0
	for _, area := range merged {
		column, first, err := excelize.CellNameToCoordinates(area.GetStartAxis())
		if err != nil {
			return unreadableWorkbook(err)
		}
		_, last, err := excelize.CellNameToCoordinates(area.GetEndAxis())
		if err != nil {
			return unreadableWorkbook(err)
		}
		heading := ""
		if column <= len(b.table.Header) {
			heading = b.table.Header[column-1]
		}
		from, _ := slices.BinarySearchFunc(b.table.Rows, first, func(row Row, line int) int { return row.Line - line })
		for _, row := range b.table.Rows[from:] {
			if looked++; looked > b.limits.Cells {
				return tooLarge("merges more than %d cells", b.limits.Cells)
			}
			if row.Line > last {
				break
			}
			if !bad[row.Line] {
				bad[row.Line] = true
				b.table.Problems = append(b.table.Problems, Problem{Line: row.Line, Column: heading, Reason: "CELLS_MERGED", Text: sentence(
					"The cells %s to %s are merged, so that only the first holds the value. Part them, and fill in each row by itself.", area.GetStartAxis(), area.GetEndAxis())})
			}
		}
	}
	b.table.Rows = slices.DeleteFunc(b.table.Rows, func(row Row) bool { return bad[row.Line] })
	return nil
}
