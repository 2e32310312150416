package gs1_test

import (
	"strings"
	"testing"
	"time"

	"coldsection.example/services/consumables/internal/gs1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
)

var today = time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)

const gs = "\x1d"

// G01 to G04: check digits printed on the pages of GS1 and its members in Sweden and India; the shipping unit's is computed and
// was accepted by the GS1 syntax engine, a C library of GS1, built from its commit 50657dbd.
func TestCheckDigits(t *testing.T) {
	for id, c := range map[string]struct {
		ai, body string
		digit    byte
	}{
		"G01": {"01", "0629104150021", '3'}, "G02": {"01", "0730001100001", '7'}, "G03": {"01", "0890400021003", '7'},
		"G04": {"00", "37610425002123456", '9'},
	} {
		for digit := byte('0'); digit <= '9'; digit++ {
			_, err := gs1.Parse(c.ai + c.body + string(digit))
			if right := digit == c.digit; right != (err == nil) || (!right && !fault.HasReason(err, "GS1_CHECK_DIGIT_WRONG")) {
				t.Errorf("%s: %c: %v", id, digit, err)
			}
		}
	}
}

// G05: the example of the BWIPP manual; its scan, and G06, G08 and G23, are what the GS1 syntax engine (commit 50657dbd) gives.
func TestScansAndTexts(t *testing.T) {
	for id, c := range map[string]struct{ scan, text string }{
		"G05": {"]d201095212345432131710010110123ABC" + gs + "211234567890", "(01)09521234543213(17)100101(10)123ABC(21)1234567890"},
		"G06": {"]d2010952123454321310LOT7A" + gs + "17270131", "(01)09521234543213(10)LOT7A(17)270131"},
		"G08": {"]d201095212345432131727013110LOT7A", "(01)09521234543213(17)270131(10)LOT7A"},
		"G23": {"]d201095212345432133012" + gs + "10AB/C-1", "(01)09521234543213(30)12(10)AB/C-1"},
	} {
		read, err := gs1.Parse(c.scan)
		if err != nil {
			t.Fatalf("%s: %v", id, err)
		}
		typed, err := gs1.ParseText(c.text)
		if err != nil {
			t.Fatalf("%s: %v", id, err)
		}
		if read.Text() != c.text || "]d2"+typed.Scan() != c.scan || read.Check() != nil {
			t.Errorf("%s: read as %s, written as %q, %v", id, read.Text(), typed.Scan(), read.Check())
		}
	}
}

// G06 and G08: lot and use-by, whichever comes last.
func TestLotAndUseBy(t *testing.T) {
	for _, scan := range []string{"]d2010952123454321310LOT7A" + gs + "17270131", "]d201095212345432131727013110LOT7A"} {
		m, err := gs1.Parse(scan)
		if err != nil {
			t.Fatal(err)
		}
		day, ok := gs1.Day(m.Value("17"), today)
		if m.Value("10") != "LOT7A" || m.Value("01") != "09521234543213" || !ok || day.Format(time.DateOnly) != "2027-01-31" {
			t.Errorf("%q: %v %v", scan, m, day)
		}
		if _, tail, found := m.Swallowed(); found {
			t.Errorf("%q: swallowed %s", scan, tail)
		}
	}
}

// G07: a keyboard scanner dropped the separator. The GS1 syntax engine and an npm parser both return the wrong lot without an
// error, and so must Parse; Swallowed tells.
func TestADroppedSeparatorIsTold(t *testing.T) {
	m, err := gs1.Parse("]d2010952123454321310LOT7A17270131")
	if err != nil || m.Value("10") != "LOT7A17270131" {
		t.Fatalf("%v %v", m, err)
	}
	if ai, tail, found := m.Swallowed(); !found || ai != "10" || tail != "(17)270131" {
		t.Errorf("(%s) swallowed %q, %t", ai, tail, found)
	}
}

// G09 to G11, G15, G16, G17 and G22: refusals of the GS1 syntax engine (commit 50657dbd). G21: 3156 is not in the GS1 syntax
// dictionary, whose last digit goes from 0 to 5.
func TestRefusals(t *testing.T) {
	for id, c := range map[string]struct{ text, reason string }{
		"G09": {"(01)09521234543214(17)270131(10)LOT7A", "GS1_CHECK_DIGIT_WRONG"},
		"G10": {"(01)09521234543213(17)271301(10)A", "GS1_DATE_INVALID"},
		"G11": {"(01)09521234543213(17)270230(10)A", "GS1_DATE_INVALID"},
		"G15": {"(17)270131(10)LOT7A", "GS1_INCOMPLETE"},
		"G16": {"(01)09521234543213(10)LOT#7", "GS1_CHARACTER_WRONG"},
		"G17": {"(01)09521234543213(10)" + strings.Repeat("A", 21), "GS1_LENGTH_WRONG"},
		"G21": {"(01)09521234543213(3156)000001", "GS1_IDENTIFIER_UNKNOWN"},
		"G22": {"(01)09521234543213(37)3", "GS1_CONTRADICTORY"},
	} {
		m, err := gs1.ParseText(c.text)
		if err == nil {
			err = m.Check()
		}
		if !fault.HasReason(err, c.reason) {
			t.Errorf("%s: %v, wanted %s", id, err, c.reason)
		}
	}
}

// G12 and G13: note of the GS1 General Specifications, 3.4: a day 00 is the last of its month.
func TestDayZero(t *testing.T) {
	for value, want := range map[string]string{"130200": "2013-02-28", "160200": "2016-02-29"} {
		if day, ok := gs1.Day(value, today); !ok || day.Format(time.DateOnly) != want {
			t.Errorf("%s is %v (%t), wanted %s", value, day, ok, want)
		}
	}
}

// G14: GS1 General Specifications 7.12: 49 years back to 50 ahead.
func TestCentury(t *testing.T) {
	for yy, want := range map[string]int{"51": 2051, "50": 2050, "76": 2076, "77": 1977} {
		if day, ok := gs1.Day(yy+"0601", today); !ok || day.Year() != want {
			t.Errorf("%s in 2026 is %d, wanted %d", yy, day.Year(), want)
		}
	}
	for now := 1990; now < 2110; now++ { // every year reads every two digits as the one year in its window
		for yy := range 100 {
			day, ok := gs1.Day(string([]byte{byte('0' + yy/10), byte('0' + yy%10)})+"0101", time.Date(now, 1, 1, 0, 0, 0, 0, time.UTC))
			if apart := day.Year() - now; !ok || day.Year()%100 != yy || apart < -49 || apart > 50 {
				t.Fatalf("%02d in %d is %d", yy, now, day.Year())
			}
		}
	}
}

// G18 to G20: GS1 syntax dictionary, net volumes in litres, US gallons and US quarts; litres by the exact definition of NIST
// Handbook 44, Appendix C.
func TestAmounts(t *testing.T) {
	for id, c := range map[string]struct{ text, value, unit, litres string }{
		"G18": {"(3153)001893", "1.893", "LTR", "1.893"}, "G19": {"(3611)000005", "0.5", "GLL", "1.892705892"},
		"G20": {"(3601)000020", "2.0", "QTL", "1.892705892"},
	} {
		m, err := gs1.ParseText(c.text)
		if err != nil {
			t.Fatalf("%s: %v", id, err)
		}
		value, unit, ok := m.Amount()
		if !ok || value != c.value || unit != c.unit {
			t.Errorf("%s: %s %s %t", id, value, unit, ok)
		}
		litres, err := quantity.MustParse(value, unit).Convert(quantity.MustLookup("L"))
		if same, _ := litres.Cmp(quantity.MustParse(c.litres, "L")); err != nil || same != 0 {
			t.Errorf("%s: %v, %v", id, litres, err)
		}
	}
}

// G24: symbology identifiers as in scandata.c of the GS1 syntax engine (commit 50657dbd); the others are those of plain symbols.
func TestSymbologies(t *testing.T) {
	for scan, want := range map[string]bool{"]d2x": true, "]Q3x": true, "]C1x": true, "]e0x": true, "]d1x": false, "]Q1x": false, "]C0x": false, "]E0x": false} {
		if id, data, is := gs1.Symbology(scan); is != want || id != scan[:3] || data != "x" {
			t.Errorf("%s: %q %q %t", scan, id, data, is)
		}
	}
	if id, data, is := gs1.Symbology("010952"); id != "" || data != "010952" || is {
		t.Errorf("no identifier: %q %q %t", id, data, is)
	}
}
