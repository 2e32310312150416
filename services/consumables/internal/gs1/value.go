package gs1

import (
	"strconv"
	"strings"
	"time"
)

// Day is the civil day of a date of six digits, YYMMDD. The year is the one from 49 years back to 50 ahead of today (General
// Specifications 7.12); a day 00 is the last of its month (3.4). False when the value is no date.
func Day(value string, today time.Time) (day time.Time, ok bool) {
	if len(value) != 6 || calendar("", value, "060102", value[4:] == "00") != nil {
		return time.Time{}, false
	}
	yy, month, dd := number(value[:2]), number(value[2:4]), number(value[4:])
	year := today.Year() - today.Year()%100 + yy
	switch apart := yy - today.Year()%100; {
	case apart >= 51:
		year -= 100
	case apart <= -50:
		year += 100
	}
	if dd == 0 {
		return time.Date(year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC), true
	}
	return time.Date(year, time.Month(month), dd, 0, 0, 0, 0, time.UTC), true
}

// YYMMDD writes a civil day as GS1 dates are.
func YYMMDD(day time.Time) string { return day.Format("060102") }

// measures are the identifiers of net amounts, by their first three digits, with the UN/ECE Recommendation 20 code of the
// unit.
var measures = map[string]string{"310": "KGM", "315": "LTR", "320": "LBR", "357": "OZA", "360": "QTL", "361": "GLL"}

// Amount is the net amount that the message states, as a decimal and a Recommendation 20 unit code; the last digit of such
// an identifier says how many digits stand behind the point. False when none is stated.
func (m Message) Amount() (value, unit string, ok bool) {
	for _, e := range m.Elements {
		if unit, known := measures[e.AI[:min(3, len(e.AI))]]; known && len(e.AI) == 4 {
			return decimal(e.Value, number(e.AI[3:])), unit, true
		}
	}
	return "", "", false
}

// decimal puts a point before the last digits of a number, without leading zeros.
func decimal(digits string, behind int) string {
	whole, fraction := digits[:len(digits)-behind], digits[len(digits)-behind:]
	whole = strings.TrimLeft(whole, "0")
	if whole == "" {
		whole = "0"
	}
	if behind == 0 {
		return whole
	}
	return whole + "." + fraction
}

// Count is how many pieces the message states, (30); 0 when it states none.
func (m Message) Count() int {
	n, err := strconv.Atoi(m.Value("30"))
	if err != nil {
		return 0
	}
	return n
}

// GTIN14 writes a trade item number of 8, 12, 13 or 14 digits with 14, and says whether its check digit is right.
func GTIN14(number string) (string, bool) {
	switch len(number) {
	case 8, 12, 13, 14:
	default:
		return "", false
	}
	padded := strings.Repeat("0", 14-len(number)) + number
	return padded, byAI["01"].check(padded) == nil
}

// Swallowed says whether the end of a value of variable length reads like the date, amount or item number that would follow
// on another element, or like the item number once more, with which a second scan begins: then the scanner may have dropped the
// separator or run two scans together, and the value is not to be believed. The tail is
// given with its identifier in brackets. That nothing is found proves nothing, since a swallowed serial number looks like
// any other text.
func (m Message) Swallowed() (ai, tail string, found bool) {
	for _, e := range m.Elements {
		if byAI[e.AI].fixed || len(e.Value) < 2 {
			continue
		}
		for i := 1; i < len(e.Value); i++ {
			row, err := lookUp(e.Value[i:])
			again := row.ai == "01" && strings.HasPrefix(e.Value[i+len(row.ai):], m.Value(row.ai))
			if err != nil || !row.fixed || m.Value(row.ai) != "" && !again || !row.telling() {
				continue
			}
			if rest, err := Parse(e.Value[i:]); err == nil {
				return e.AI, rest.Text(), true
			}
		}
	}
	return "", "", false
}

// telling identifiers have values that few other texts look like: dates, check digits, and net amounts.
func (row identifier) telling() bool {
	_, isMeasure := measures[row.ai[:min(3, len(row.ai))]]
	for _, name := range row.parts[0].checks {
		if name == "csum" || name == "yymmd0" {
			return true
		}
	}
	return isMeasure
}
