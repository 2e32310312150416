package sheet

import (
	"archive/zip"
	"bytes"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"

	"coldsection.example/services/platform/fault"
)

// readXLSX reads one sheet of a workbook. Formulas are never computed: their cells hold the value that was saved with them,
// and are blank when none was. Numbers and dates come as they are stored; typed readers of Bind know both.
func (b *builder) readXLSX(data []byte, wanted string) error {
	merged, err := checkUnpacked(data, b.limits.Unpacked)
	if err != nil {
		return err
	}
	f, err := excelize.OpenReader(bytes.NewReader(data), excelize.Options{UnzipSizeLimit: b.limits.Unpacked, UnzipXMLSizeLimit: b.limits.Unpacked})
	if err != nil {
		return unreadableWorkbook(err)
	}
	defer func() { _ = f.Close() }() // nothing of it is on disk
	props, err := f.GetWorkbookProps()
	if err != nil {
		return unreadableWorkbook(err)
	}
	b.table.date1904 = props.Date1904 != nil && *props.Date1904
	name, err := chooseSheet(f, wanted)
	if err != nil {
		return err
	}
	if err := b.readRows(f, name); err != nil {
		return err
	}
	if err := b.round(f, name); err != nil {
		return err
	}
	if err := b.group(f, name); err != nil || !merged {
		return err
	}
	return b.dropMerged(f, name)
}

// round marks the numbers of a workbook that have more digits than a spreadsheet keeps of one, which is 15 (ECMA-376 keeps a number as IEEE 754
// binary64). The same digits as a text are what was typed.
func (b *builder) round(f *excelize.File, name string) error {
	for i, row := range b.table.Rows {
		for at, cell := range row.Cells {
			if !longNumber(cell) {
				continue
			}
			place, err := excelize.CoordinatesToCellName(at+1, row.Line)
			if err != nil {
				return unreadableWorkbook(err)
			}
			kind, err := f.GetCellType(name, place)
			if err != nil {
				return unreadableWorkbook(err)
			}
			if kind != excelize.CellTypeUnset && kind != excelize.CellTypeNumber {
				continue
			}
			if row.rounded == nil {
				row.rounded = make([]bool, len(row.Cells))
				b.table.Rows[i] = row
			}
			row.rounded[at] = true
		}
	}
	return nil
}

// group marks the texts such as 1.234 of a workbook with decimal commas: these are texts, since a number has a point when it is stored, so its
// points may group thousands.
func (b *builder) group(f *excelize.File, name string) error {
	if !slices.ContainsFunc(b.table.Rows, func(r Row) bool { return slices.ContainsFunc(r.Cells, hasComma) }) {
		return nil
	}
	for i, row := range b.table.Rows {
		for at, cell := range row.Cells {
			text, err := groups(f, name, at+1, row.Line, cell)
			if err != nil {
				return unreadableWorkbook(err)
			}
			if text && row.grouped == nil {
				row.grouped = make([]bool, len(row.Cells))
				b.table.Rows[i] = row
			}
			if text {
				row.grouped[at] = true
			}
		}
	}
	return nil
}

// groups says whether a cell is a text whose point may group thousands.
func groups(f *excelize.File, name string, column, line int, cell string) (bool, error) {
	if !strings.Contains(cell, ".") || !couldBeGrouping.MatchString(strings.TrimSpace(cell)) {
		return false, nil
	}
	place, err := excelize.CoordinatesToCellName(column, line)
	if err != nil {
		return false, err
	}
	kind, err := f.GetCellType(name, place)
	return kind == excelize.CellTypeSharedString || kind == excelize.CellTypeInlineString || kind == excelize.CellTypeFormula, err
}

// hasComma says whether a cell is a number with a decimal comma.
func hasComma(cell string) bool {
	return strings.Contains(cell, ",") && plainDecimal.MatchString(strings.TrimSpace(cell))
}

// readRows reads the rows as they are stored, and beside them as they are shown when a style of the workbook shows numbers as something else.
func (b *builder) readRows(f *excelize.File, name string) error {
	stored, err := f.Rows(name)
	if err != nil {
		return unreadableWorkbook(err)
	}
	defer func() { _ = stored.Close() }()
	shown := &excelize.Rows{}
	styled := showsOtherwise(f)
	if styled {
		if shown, err = f.Rows(name); err != nil {
			return unreadableWorkbook(err)
		}
		defer func() { _ = shown.Close() }()
	}
	for line := 1; stored.Next(); line++ {
		cells, err := stored.Columns(excelize.Options{RawCellValue: true})
		if err != nil {
			return unreadableWorkbook(err)
		}
		row := Row{Line: line, Cells: cells}
		if styled && shown.Next() {
			texts, err := shown.Columns()
			if err != nil {
				return unreadableWorkbook(err)
			}
			row.shown, row.seen = shownAs(cells, texts, showsTime), shownAs(cells, texts, showsOther)
		}
		if err := b.addRow(row, stored.GetRowOpts().Hidden); err != nil {
			return err
		}
	}
	if err := stored.Error(); err != nil {
		return unreadableWorkbook(err)
	}
	return nil
}

// shownAs are what the cells show of which something is so; nil when it is of none.
func shownAs(cells, texts []string, is func(cell, text string) bool) (shown []string) {
	for i, cell := range cells {
		if i >= len(texts) || !is(cell, texts[i]) {
			continue
		}
		if shown == nil {
			shown = make([]string, len(cells))
		}
		shown[i] = texts[i]
	}
	return shown
}

// showsTime says whether a cell shows a time instead of its number: with a colon, or as whole hours, which are far from the number of days.
func showsTime(cell, text string) bool {
	held, err := strconv.ParseFloat(cell, 64)
	if err != nil || text == cell {
		return false
	}
	seen, err := strconv.ParseFloat(text, 64)
	return strings.Contains(text, ":") || err == nil && math.Abs(seen-held) > 1
}

// showsOther says whether a cell holds a number and shows another text.
func showsOther(cell, text string) bool {
	_, err := strconv.ParseFloat(cell, 64)
	return err == nil && text != cell
}

// showsOtherwise says whether a style of a workbook shows numbers as dates, times, with zeros before them or by powers of ten: one of the formats
// that every workbook has (ECMA-376 part 1, 18.8.30), or one of its own with a d, h, y or E, or that begins with two zeros.
func showsOtherwise(f *excelize.File) bool {
	for i := 0; ; i++ {
		style, err := f.GetStyle(i)
		switch {
		case err != nil:
			return false
		case style.NumFmt == 11, style.NumFmt >= 14 && style.NumFmt <= 22, style.NumFmt >= 27 && style.NumFmt <= 36, style.NumFmt >= 45 && style.NumFmt <= 48,
			style.NumFmt >= 50 && style.NumFmt <= 58,
			style.CustomNumFmt != nil && (strings.ContainsAny(*style.CustomNumFmt, "dDhHyYE") || strings.HasPrefix(*style.CustomNumFmt, "00")):
			return true
		}
	}
}

// checkUnpacked unpacks every part once without keeping it, since the sizes that a ZIP file states may be false. It says whether any part merges
// cells, which is looked up only then, because it needs the whole sheet at once.
func checkUnpacked(data []byte, limit int64) (merged bool, err error) {
	archive, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return false, unreadableWorkbook(err)
	}
	left, seek := limit, &seeker{word: "mergeCell "}
	for _, part := range archive.File {
		r, err := part.Open()
		if err != nil {
			return false, unreadableWorkbook(err)
		}
		n, err := io.Copy(seek, io.LimitReader(r, left+1))
		_ = r.Close()
		if err != nil {
			return false, unreadableWorkbook(err)
		}
		if left -= n; left < 0 {
			return false, tooLarge("unpacks to more than %d bytes", limit)
		}
	}
	return seek.found, nil
}

// chooseSheet takes the sheet that was asked for, or the only one that is not hidden.
func chooseSheet(f *excelize.File, wanted string) (string, error) {
	var seen []string
	for _, name := range f.GetSheetList() {
		visible, err := f.GetSheetVisible(name)
		if err != nil {
			return "", unreadableWorkbook(err)
		}
		if name == wanted || visible && wanted == "" {
			seen = append(seen, name)
		}
	}
	if len(seen) == 1 {
		return seen[0], nil
	}
	return "", fault.Invalid("table", "SHEET_UNCLEAR", "The workbook has the sheets %.200q. Name one of them, or keep only the one with the table.",
		strings.Join(f.GetSheetList(), ", "))
}

func unreadableWorkbook(cause error) error {
	return fault.Invalid("table", "FILE_UNREADABLE", "The file is not a workbook that can be read. Save it again as XLSX without a password, or as CSV in UTF-8.").Because(cause)
}
