package sheet

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
	"unicode/utf16"

	"github.com/xuri/excelize/v2"
)

// Column is a column to write. Its cells are canonical texts of its kind; "" is a blank cell.
type Column struct {
	Name string
	Unit string // UCUM, of an Amount; it ends the column's name
	Kind Kind
}

// Heading is the column's name with its unit.
func (c Column) Heading() string { return Heading(c.Name, c.Unit) }

// Writer writes rows. Close ends the file; without it the file is not whole.
type Writer interface {
	Write(cells ...string) error
	Close() error
}

// NewWriter writes a table's header and then its rows.
func NewWriter(w io.Writer, format Format, columns []Column) (Writer, error) {
	switch format {
	case XLSX:
		return newXLSXWriter(w, columns)
	case Parquet:
		return newParquetWriter(w, columns), nil
	case CSV:
	}
	out := &csvWriter{csv: csv.NewWriter(w), columns: columns}
	out.csv.UseCRLF = true // RFC 4180, 2.1
	return out, out.csv.Write(headings(columns))
}

func headings(columns []Column) []string {
	names := make([]string, len(columns))
	for i, c := range columns {
		names[i] = c.Heading()
	}
	return names
}

func checkWidth(cells []string, columns []Column) error {
	if len(cells) != len(columns) {
		return fmt.Errorf("sheet: a row of %d cells under %d columns", len(cells), len(columns))
	}
	return nil
}

type csvWriter struct {
	csv     *csv.Writer
	columns []Column
}

func (w *csvWriter) Write(cells ...string) error {
	if err := checkWidth(cells, w.columns); err != nil {
		return err
	}
	safe := make([]string, len(cells))
	for i, cell := range cells {
		safe[i] = defuse(cell)
	}
	return w.csv.Write(safe)
}

// Flush writes what there is so far, for a reader who waits for it.
func (w *csvWriter) Flush() error {
	w.csv.Flush()
	return w.csv.Error()
}

func (w *csvWriter) Close() error { return w.Flush() }

// sheetName is that of the only sheet of a workbook that is written.
const sheetName = "Table"

type xlsxWriter struct {
	out     io.Writer
	file    *excelize.File
	stream  *excelize.StreamWriter
	columns []Column
	styles  map[Kind]int
	line    int
}

func newXLSXWriter(w io.Writer, columns []Column) (Writer, error) {
	x := &xlsxWriter{out: w, file: excelize.NewFile(), columns: columns, styles: map[Kind]int{}}
	if err := x.file.SetSheetName("Sheet1", sheetName); err != nil {
		return nil, err
	}
	for kind, format := range map[Kind]string{Time: "yyyy-mm-dd\\Thh:mm:ss\\Z", Date: "yyyy-mm-dd"} {
		style, err := x.file.NewStyle(&excelize.Style{CustomNumFmt: &format})
		if err != nil {
			return nil, err
		}
		x.styles[kind] = style
	}
	var err error
	if x.stream, err = x.file.NewStreamWriter(sheetName); err != nil {
		return nil, err
	}
	err = x.row(headings(columns), func(_ int, cell string) any { return cell })
	return x, err
}

func (x *xlsxWriter) Write(cells ...string) error {
	if err := checkWidth(cells, x.columns); err != nil {
		return err
	}
	for i, cell := range cells {
		if len(utf16.Encode([]rune(cell))) > longest {
			return fmt.Errorf("sheet: the cell of %s is longer than the %d characters of a spreadsheet's cell", x.columns[i].Name, longest)
		}
	}
	return x.row(cells, x.cell)
}

func (x *xlsxWriter) row(cells []string, convert func(i int, cell string) any) error {
	x.line++
	row := make([]any, len(cells))
	for i, cell := range cells {
		if cell != "" {
			row[i] = convert(i, cell)
		}
	}
	return x.stream.SetRow("A"+strconv.Itoa(x.line), row)
}

// longest is how many characters a spreadsheet keeps in one cell.
const longest = 32_767

// cell makes a text a number or a date where the spreadsheet keeps all of it; everything else stays text, which is never a
// formula.
func (x *xlsxWriter) cell(i int, cell string) any {
	switch kind := x.columns[i].Kind; kind {
	case Number, Amount, Integer:
		if v, err := strconv.ParseFloat(cell, 64); err == nil && digits(cell) <= 15 {
			return v
		}
	case Time, Date:
		if days, ok := dayOf(cell, kind); ok {
			return excelize.Cell{StyleID: x.styles[kind], Value: days}
		}
	case Bool:
		return cell == "true"
	case Text, Hours:
	}
	return cell
}

// digits counts the significant digits; a spreadsheet keeps 15.
func digits(number string) int {
	return len(strings.TrimLeft(strings.NewReplacer(".", "", "-", "").Replace(number), "0"))
}

// dayOf is the day number of a time or date of whole milliseconds.
func dayOf(cell string, kind Kind) (float64, bool) {
	form := time.RFC3339Nano
	if kind == Date {
		form = time.DateOnly
	}
	at, err := time.Parse(form, cell)
	if err != nil || at.Nanosecond()%1_000_000 != 0 {
		return 0, false
	}
	days := float64(at.UnixMilli()-time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC).UnixMilli()) / 86_400_000
	return days, days >= 61
}

func (x *xlsxWriter) Close() error {
	if err := x.stream.Flush(); err != nil {
		return err
	}
	if err := x.file.Write(x.out); err != nil {
		return err
	}
	return x.file.Close()
}
