package sheet

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"unicode/utf8"

	"coldsection.example/services/platform/fault"
)

// readCSV reads RFC 4180 text and what spreadsheets make of it: a byte-order mark, semicolons or tabs between the fields,
// line ends of any system.
func (b *builder) readCSV(data []byte) error {
	text, err := utf8Text(data)
	if err != nil {
		return err
	}
	r := csv.NewReader(bytes.NewReader(text))
	r.Comma, r.FieldsPerRecord = separator(text), -1
	for {
		record, err := r.Read()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			if err := b.unreadable(err); err != nil {
				return err
			}
			continue
		}
		line, _ := r.FieldPos(0)
		for i, cell := range record {
			record[i] = arm(cell)
		}
		if err := b.add(line, record); err != nil {
			return err
		}
	}
}

// unreadable reports a row whose quotes are wrong; a header like that ends the reading.
func (b *builder) unreadable(cause error) error {
	var parse *csv.ParseError
	if !errors.As(cause, &parse) || b.table.Header == nil {
		return fault.Invalid("table", "HEADER_INVALID", "The quotes of the header don't match. Put a quote at both ends of a name, or none.").Because(cause)
	}
	words := "A quote stands inside a cell that does not begin with one. Double every quote and put the whole cell in quotes."
	if errors.Is(parse.Err, csv.ErrQuote) {
		words = "A quote opens here and does not close before other text or the end of the file; everything up to line %d was taken for one cell. Close it."
	}
	p := Problem{Line: parse.StartLine, Reason: "ROW_UNREADABLE", Text: words}
	if errors.Is(parse.Err, csv.ErrQuote) {
		p.Text = sentence(words, parse.Line)
	}
	b.table.Problems = append(b.table.Problems, p)
	if b.lines++; b.lines > b.limits.Rows {
		return tooLarge("has more than %d rows", b.limits.Rows)
	}
	return nil
}

// utf8Text checks the encoding and takes the byte-order mark off; every line then ends with a line feed, so that lone
// carriage returns count as lines, too.
func utf8Text(data []byte) ([]byte, error) {
	for _, mark := range []string{"\xff\xfe", "\xfe\xff"} {
		if bytes.HasPrefix(data, []byte(mark)) {
			return nil, fault.Invalid("table", "TEXT_NOT_UTF8", "The file is UTF-16 text. Save it as CSV in UTF-8 and send that.")
		}
	}
	text := bytes.TrimPrefix(data, []byte("\ufeff"))
	text = bytes.ReplaceAll(bytes.ReplaceAll(text, []byte("\r\n"), []byte("\n")), []byte("\r"), []byte("\n"))
	if at := invalidAt(text); at >= 0 {
		return nil, fault.Invalid("table", "TEXT_NOT_UTF8", "The file is not UTF-8 text in line %d. Save it as CSV in UTF-8 and send that.",
			1+bytes.Count(text[:at], []byte("\n")))
	}
	return text, nil
}

// invalidAt is the place of the first byte that is no text; -1 when there is none.
func invalidAt(text []byte) int {
	if at := bytes.IndexByte(text, 0); at >= 0 && utf8.Valid(text[:at]) {
		return at
	}
	for i := 0; i < len(text); {
		r, size := utf8.DecodeRune(text[i:])
		if r == utf8.RuneError && size <= 1 {
			return i
		}
		i += size
	}
	return -1
}

// separator is the one of comma, semicolon and tab that stands most often outside quotes in the first line that has one.
func separator(text []byte) rune {
	var first []byte
	for first = range bytes.Lines(text) {
		if bytes.ContainsAny(first, ",;\t") {
			break
		}
	}
	counts := map[rune]int{}
	inside := false
	for _, r := range string(first) {
		if r == '"' {
			inside = !inside
		}
		if !inside {
			counts[r]++
		}
	}
	best := ','
	for _, r := range ";\t" {
		if counts[r] > counts[best] {
			best = r
		}
	}
	return best
}
