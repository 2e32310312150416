package sheet

import (
	"math"
	"regexp"
	"strconv"
	"strings"

	"coldsection.example/services/platform/quantity"
)

// mark is how a file writes the decimal mark.
type mark int

const (
	point mark = iota // nothing says otherwise
	comma
	mixed // some numbers have a point and others a comma
)

var (
	// couldBeGrouping is a number such as 1,234 or 1.234, which some read as thousands.
	couldBeGrouping = regexp.MustCompile(`^[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}$`)
	plainDecimal    = regexp.MustCompile(`^[+-]?[0-9]+([.,][0-9]+)?$`)
)

// markOf reads the decimal mark off numbers that can be read in one way only.
func markOf(cells func(yield func(string) bool)) mark {
	var points, commas int
	for cell := range cells {
		if !plainDecimal.MatchString(cell) || couldBeGrouping.MatchString(cell) {
			continue
		}
		points += strings.Count(cell, ".")
		commas += strings.Count(cell, ",")
	}
	switch {
	case points > 0 && commas > 0:
		return mixed
	case commas > 0:
		return comma
	default:
		return point
	}
}

// plain is a number with a decimal point and no plus sign. A reason tells why it is none: VALUE_NOT_A_NUMBER, or
// VALUE_AMBIGUOUS when it could be read in two ways in this file.
func (m mark) plain(cell string) (number, reason, text string) {
	switch {
	case !plainDecimal.MatchString(cell):
		if strings.ContainsAny(cell, ".,") && plainDecimal.MatchString(strings.NewReplacer(".", "", ",", "", " ", "", "'", "").Replace(cell)) {
			return "", "VALUE_AMBIGUOUS", sentence("%.40q could be read in more than one way. Give it without grouping, such as 1234.5.", cell)
		}
		return "", "VALUE_NOT_A_NUMBER", sentence("%.40q is not a plain decimal number. Give digits with at most one decimal mark.", cell)
	case couldBeGrouping.MatchString(cell) && m.doubts(cell):
		return "", "VALUE_AMBIGUOUS", sentence("%.40q could be a decimal or a number of thousands. Give it without grouping, or with other than three digits after the mark.", cell)
	}
	return strings.TrimPrefix(strings.Replace(cell, ",", ".", 1), "+"), "", ""
}

// doubts says whether the mark of a number such as 1,234 may group thousands in this file.
func (m mark) doubts(cell string) bool {
	return m == mixed || strings.Contains(cell, ",") != (m == comma)
}

// stored is a number as XLSX and Parquet files keep it, a binary float, with as many significant digits as count there: a
// spreadsheet shows 15 of the 17 that it may write. ok is false when the cell holds something else.
func stored(cell string, format Format) (number string, ok bool) {
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil || !(v > -1e15 && v < 1e15) || strings.ContainsAny(cell, "xXpP_nN") {
		return "", false
	}
	if format == XLSX {
		v, err = strconv.ParseFloat(strconv.FormatFloat(v, 'g', 15, 64), 64)
	}
	text := strconv.FormatFloat(v+0, 'f', -1, 64)
	if _, bad := quantity.ParseDecimal(text); bad != nil { // more places than a decimal keeps
		text = strconv.FormatFloat(math.Round(v*1e15)/1e15+0, 'f', -1, 64)
	}
	return text, err == nil
}
