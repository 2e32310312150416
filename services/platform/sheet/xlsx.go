package sheet

import (
	"archive/zip"
	"bytes"
	"io"
	"strings"

	"github.com/xuri/excelize/v2"

	"coldsection.example/services/platform/fault"
)

// readXLSX reads one sheet of a workbook. Formulas are never computed: their cells hold the value that was saved with them,
// and are blank when none was. Numbers and dates come as they are stored; typed readers of Bind know both.
func (b *builder) readXLSX(data []byte, wanted string) error {
	if err := checkUnpacked(data, b.limits.Unpacked); err != nil {
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
	rows, err := f.Rows(name)
	if err != nil {
		return unreadableWorkbook(err)
	}
	defer func() { _ = rows.Close() }()
	for line := 1; rows.Next(); line++ {
		cells, err := rows.Columns(excelize.Options{RawCellValue: true})
		if err != nil {
			return unreadableWorkbook(err)
		}
		if err := b.add(line, cells); err != nil {
			return err
		}
	}
	if err := rows.Error(); err != nil {
		return unreadableWorkbook(err)
	}
	return nil
}

// checkUnpacked unpacks every part once without keeping it, since the sizes that a ZIP file states may be false.
func checkUnpacked(data []byte, limit int64) error {
	archive, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return unreadableWorkbook(err)
	}
	left := limit
	for _, part := range archive.File {
		r, err := part.Open()
		if err != nil {
			return unreadableWorkbook(err)
		}
		n, err := io.Copy(io.Discard, io.LimitReader(r, left+1))
		_ = r.Close()
		if err != nil {
			return unreadableWorkbook(err)
		}
		if left -= n; left < 0 {
			return tooLarge("unpacks to more than %d bytes", limit)
		}
	}
	return nil
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
