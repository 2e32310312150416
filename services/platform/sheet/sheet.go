// Package sheet is the suite's one reader and writer of tables that people and other programs hand in or take away: CSV,
// XLSX and Parquet.
//
// Reading goes in two steps. Read turns bytes into a Table of texts and refuses what is no table. Bind says which columns
// are wanted; it finds them by name and unit, judges every cell by itself, loses no row and reports each fault with its
// line, column, reason and next move. Every limit is checked while reading, so that a small file cannot become a large one.
// A table writes the unit in each column's name, such as "oat_c" or "torque_lbf_ft"; Heading and Bind know these names.
//
// Writing takes canonical texts: plain decimals, RFC 3339 times in UTC. Cells of a CSV file that a spreadsheet would take
// for a formula are defused; the reader of this package undoes that, so a table survives the round trip.
package sheet

import (
	"bytes"
	"slices"

	"coldsection.example/services/platform/fault"
)

// Format is a file format.
type Format string

// The formats.
const (
	CSV     Format = "csv"
	XLSX    Format = "xlsx"
	Parquet Format = "parquet"
)

// MediaType is the format's media type as IANA lists it.
func (f Format) MediaType() string {
	switch f {
	case XLSX:
		return "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
	case Parquet:
		return "application/vnd.apache.parquet"
	case CSV:
	}
	return "text/csv; charset=utf-8; header=present"
}

// Detect tells the format from the first bytes: a ZIP file is taken for XLSX, what is neither that nor Parquet for CSV.
func Detect(data []byte) Format {
	switch {
	case bytes.HasPrefix(data, []byte("PK\x03\x04")):
		return XLSX
	case bytes.HasPrefix(data, []byte("PAR1")):
		return Parquet
	}
	return CSV
}

// Limits bound what one table may be. A zero field takes the value of DefaultLimits.
type Limits struct {
	Bytes     int   // of the file
	Unpacked  int64 // bytes of a compressed file once unpacked, and of all cells together
	Rows      int   // after the header; blank ones count
	Columns   int   // in any row
	Cells     int   // in all rows
	CellBytes int   // in one cell
}

// DefaultLimits fit a year of readings of a fleet. A cell of 32,767 characters is the most that spreadsheets keep.
var DefaultLimits = Limits{Bytes: 16 << 20, Unpacked: 256 << 20, Rows: 100_000, Columns: 256, Cells: 2_000_000, CellBytes: 32_767}

func (l Limits) filled() Limits {
	d := DefaultLimits
	for _, f := range []struct {
		own      *int
		standard int
	}{{&l.Bytes, d.Bytes}, {&l.Rows, d.Rows}, {&l.Columns, d.Columns}, {&l.Cells, d.Cells}, {&l.CellBytes, d.CellBytes}} {
		if *f.own == 0 {
			*f.own = f.standard
		}
	}
	if l.Unpacked == 0 {
		l.Unpacked = d.Unpacked
	}
	return l
}

// Table is a file that was read: a header and rows of texts, blank rows left out.
type Table struct {
	Format   Format
	Header   []string
	Rows     []Row
	Problems []Problem // rows that could not be read

	date1904 bool // an XLSX file that counts its days from 1904
}

// Row is one row as it stands in the file.
type Row struct {
	Line  int // in a CSV file the line of the text, in XLSX the number beside the row, in Parquet the row counted from 1
	Cells []string

	shown []string // of a workbook: what a cell shows that holds hours and minutes as a part of a day; nil when the row has none
	// grouped says which cells of a workbook hold a text such as 1.234 while others have decimal commas; nil when none of the row does.
	grouped []bool
	// rounded says which cells of a workbook hold a number of more digits than are kept; nil when none of the row does.
	rounded []bool
	seen    []string // of a workbook: what a cell shows that holds a number and shows another text; nil when the row has none
}

// Problem is what is wrong with one row or cell.
type Problem struct {
	Line   int
	Column string // as the header spells it; "" for the whole row
	Reason string // UPPER_SNAKE_CASE, such as VALUE_NOT_A_NUMBER
	Text   string // the rule and the next move
}

// Options say how to read a file.
type Options struct {
	Limits Limits
	Sheet  string // of a workbook with several
}

// Read reads a whole file. Reasons: TABLE_TOO_LARGE, TEXT_NOT_UTF8, FILE_UNREADABLE, SHEET_UNCLEAR, HEADER_INVALID.
func Read(data []byte, format Format, o Options) (*Table, error) {
	o.Limits = o.Limits.filled()
	if len(data) > o.Limits.Bytes {
		return nil, tooLarge("is larger than %d bytes", o.Limits.Bytes)
	}
	b := &builder{limits: o.Limits, table: &Table{Format: format}}
	var err error
	switch format {
	case XLSX:
		err = b.readXLSX(data, o.Sheet)
	case Parquet:
		err = b.readParquet(data)
	case CSV:
		err = b.readCSV(data)
	}
	if err != nil {
		return nil, err
	}
	if b.table.Header == nil {
		return nil, fault.Invalid("table", "HEADER_INVALID", "The table has no header. Its first line names the columns, each with its unit.")
	}
	return b.table, nil
}

// Drop leaves a column out.
func (t *Table) Drop(at int) {
	t.Header = slices.Delete(t.Header, at, at+1)
	for i, row := range t.Rows {
		if at < len(row.Cells) {
			t.Rows[i].Cells = slices.Delete(row.Cells, at, at+1)
		}
		if at < len(row.shown) {
			t.Rows[i].shown = slices.Delete(row.shown, at, at+1)
		}
		if at < len(row.rounded) {
			t.Rows[i].rounded = slices.Delete(row.rounded, at, at+1)
		}
		if at < len(row.grouped) {
			t.Rows[i].grouped = slices.Delete(row.grouped, at, at+1)
		}
		if at < len(row.seen) {
			t.Rows[i].seen = slices.Delete(row.seen, at, at+1)
		}
	}
}

func tooLarge(format string, args ...any) *fault.Error {
	return fault.Invalid("table", "TABLE_TOO_LARGE", "The table "+format+". Split it.", args...)
}

// builder collects rows and keeps the limits.
type builder struct {
	limits Limits
	table  *Table
	lines  int // after the header
	cells  int
	text   int64 // bytes
}

// add takes one row of texts.
func (b *builder) add(line int, cells []string) error {
	return b.addRow(Row{Line: line, Cells: cells}, false)
}

// addRow takes one row, the first that is not blank as the header. One that is hidden is a problem: whoever sent the file did not see it.
func (b *builder) addRow(row Row, hidden bool) error {
	line, cells := row.Line, row.Cells
	if b.table.Header != nil {
		if b.lines++; b.lines > b.limits.Rows {
			return tooLarge("has more than %d rows", b.limits.Rows)
		}
	}
	blank := true
	for _, cell := range cells {
		blank = blank && cell == ""
		b.text += int64(len(cell))
		if len(cell) > b.limits.CellBytes {
			return tooLarge("has a cell of more than %d bytes in line %d", b.limits.CellBytes, line)
		}
	}
	if b.cells += len(cells); b.cells > b.limits.Cells {
		return tooLarge("has more than %d cells", b.limits.Cells)
	}
	if b.text > b.limits.Unpacked { // one text that a compressed file keeps once can stand in every cell
		return tooLarge("unpacks to more than %d bytes", b.limits.Unpacked)
	}
	if len(cells) > b.limits.Columns {
		return tooLarge("has more than %d columns in line %d", b.limits.Columns, line)
	}
	switch {
	case blank:
	case b.table.Header == nil:
		b.table.Header = cells
	case hidden:
		b.table.Problems = append(b.table.Problems, Problem{Line: line, Reason: "ROW_HIDDEN",
			Text: "The row is hidden, by a filter or by hand. Show all rows and look at it; leave it in, or delete it."})
	default:
		b.table.Rows = append(b.table.Rows, row)
	}
	return nil
}
