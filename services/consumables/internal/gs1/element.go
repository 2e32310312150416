package gs1

import (
	"strings"
	"time"

	"coldsection.example/services/platform/fault"
)

// Element is an application identifier with its value.
type Element struct{ AI, Value string }

// Title is the data title that the General Specifications give the identifier, such as USE BY or EXPIRY.
func (e Element) Title() string { return byAI[e.AI].title }

// lookUp finds the identifier that data begin with. Reason: GS1_IDENTIFIER_UNKNOWN.
func lookUp(data string) (identifier, error) {
	if len(data) >= 2 {
		if n := aiLength[data[:2]]; n > 0 && len(data) >= n {
			if row, ok := byAI[data[:n]]; ok {
				return row, nil
			}
		}
	}
	return identifier{}, fault.Invalid("code", "GS1_IDENTIFIER_UNKNOWN",
		"%.4q is no GS1 application identifier, so what follows can't be read. Scan again, or type what the label says.", data)
}

// check proves a value against the format of its identifier. Reasons: GS1_LENGTH_WRONG, GS1_CHARACTER_WRONG,
// GS1_CHECK_DIGIT_WRONG, GS1_DATE_INVALID.
func (row identifier) check(value string) error {
	rest := value
	for _, p := range row.parts {
		if rest == "" && p.optional {
			return nil
		}
		n := min(p.max, len(rest))
		if n < p.min {
			return row.wrongLength(value)
		}
		if err := p.check(row.ai, rest[:n]); err != nil {
			return err
		}
		rest = rest[n:]
	}
	if rest != "" {
		return row.wrongLength(value)
	}
	return nil
}

// length is how long values may be.
func (row identifier) length() (least, most int) {
	for _, p := range row.parts {
		if !p.optional {
			least += p.min
		}
		most += p.max
	}
	return least, most
}

func (row identifier) wrongLength(value string) error {
	least, most := row.length()
	if least == most {
		return fault.Invalid("code", "GS1_LENGTH_WRONG", "(%s) %s has %d characters and %.60q has %d. Scan again.", row.ai, row.title, most, value, len(value))
	}
	return fault.Invalid("code", "GS1_LENGTH_WRONG", "(%s) %s has %d to %d characters and %.60q has %d. If the scanner drops the separator between values, set it to send GS (ASCII 29).",
		row.ai, row.title, least, most, value, len(value))
}

// The character sets of the General Specifications, figures 7.11-1 to 7.11-3.
const (
	digits = "0123456789"
	upper  = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
	lower  = "abcdefghijklmnopqrstuvwxyz"
	set82  = "!\"%&'()*+,-./" + digits + ":;<=>?" + upper + "_" + lower
	set39  = "#-/" + digits + upper
	set64  = digits + upper + lower + "-_="
)

var charactersOf = map[byte]string{'N': digits, 'X': set82, 'Y': set39, 'Z': set64}

func (p part) check(ai, value string) error {
	if bad := strings.Trim(value, charactersOf[p.set]); bad != "" {
		return wrongCharacter(ai, firstOf(bad), value)
	}
	for _, name := range p.checks {
		if err := checks[name](ai, value); err != nil {
			return err
		}
	}
	return nil
}

// wrongCharacter says what may have come into a value: the next scan's symbology identifier, or what a scanner sends for the separator or by another
// keyboard layout.
func wrongCharacter(ai, bad, value string) error {
	if bad == "]" {
		return fault.Invalid("code", "GS1_CHARACTER_WRONG", "(%s) must not contain %q of %.90q: two scans ran into one. Clear the field and scan once.", ai, bad, value)
	}
	return fault.Invalid("code", "GS1_CHARACTER_WRONG", "(%s) must not contain %q of %.90q. Scan again; if it stays so, set the scanner to send GS (ASCII 29) as separator, "+
		"and to the keyboard layout of this computer.", ai, bad, value)
}

func firstOf(s string) string { return string([]rune(s)[:1]) }

// checks are what a piece of a value is proved by.
var checks = map[string]func(ai, value string) error{
	"csum":     checkDigitOf,
	"yymmd0":   func(ai, v string) error { return calendar(ai, v, "060102", v[4:] == "00") },
	"yymmdd":   func(ai, v string) error { return calendar(ai, v, "060102", false) },
	"yyyymmdd": func(ai, v string) error { return calendar(ai, v, "20060102", false) },
	"hhmi":     func(ai, v string) error { return calendar(ai, v, "1504", false) },
	"hh":       func(ai, v string) error { return calendar(ai, v, "15", false) },
	"mi":       func(ai, v string) error { return calendar(ai, v, "04", false) },
	"ss":       func(ai, v string) error { return calendar(ai, v, "05", false) },
	"nonzero":  func(ai, v string) error { return whether(strings.Trim(v, "0") != "", ai, v) },
	"zero":     func(ai, v string) error { return whether(strings.Trim(v, "0") == "", ai, v) },
	"yesno":    func(ai, v string) error { return whether(v == "0" || v == "1", ai, v) },
}

func whether(ok bool, ai, value string) error {
	if ok {
		return nil
	}
	return fault.Invalid("code", "GS1_CHARACTER_WRONG", "(%s) can't be %q. Scan again.", ai, value)
}

func checkDigitOf(ai, value string) error {
	body, digit := value[:len(value)-1], value[len(value)-1]
	if want := checkDigit(body); want != digit {
		return fault.Invalid("code", "GS1_CHECK_DIGIT_WRONG", "The check digit of (%s) %s is %c and must be %c. Scan again; if typed, compare every digit.", ai, value, digit, want)
	}
	return nil
}

// checkDigit is the last digit of a GS1 key (General Specifications 7.9): the digits times 3, 1, 3 … from the right, up to
// the next ten.
func checkDigit(body string) byte {
	sum := 0
	for i := range len(body) {
		weight := 1
		if (len(body)-i)%2 == 1 {
			weight = 3
		}
		sum += weight * int(body[i]-'0')
	}
	return byte('0' + (10-sum%10)%10)
}

// calendar proves a date or time; a day 00 stands for the last of its month.
func calendar(ai, value, layout string, dayOpen bool) error {
	proved := value
	if dayOpen {
		proved = value[:4] + "01"
	}
	// A year of two digits alone decides about 29 February only: 2000 to 2099 have it where their last two digits say so.
	if layout == "060102" {
		proved, layout = "20"+proved, "20060102"
	}
	if _, err := time.Parse(layout, proved); err != nil {
		return fault.Invalid("code", "GS1_DATE_INVALID", "(%s) %s is no date or time of the calendar. Scan again, or type what the label says.", ai, value)
	}
	return nil
}
