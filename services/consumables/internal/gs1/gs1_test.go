package gs1_test

import (
	"os"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/consumables/internal/gs1"
	"coldsection.example/services/platform/fault"
)

func TestBadScansAreRefused(t *testing.T) {
	for scan, reason := range map[string]string{
		"":                                    "GS1_EMPTY",
		"]d2":                                 "GS1_EMPTY",
		gs:                                    "GS1_EMPTY",
		"0":                                   "GS1_IDENTIFIER_UNKNOWN",
		"XX123":                               "GS1_IDENTIFIER_UNKNOWN",
		"890123":                              "GS1_IDENTIFIER_UNKNOWN", // 89 is not given out
		"0109521234543213310":                 "GS1_IDENTIFIER_UNKNOWN", // ends within an identifier
		"010952123454321":                     "GS1_LENGTH_WRONG",
		"01095212345" + gs + "43213":          "GS1_LENGTH_WRONG", // a separator inside a fixed length
		"010952123454321310":                  "GS1_LENGTH_WRONG", // a lot of no characters
		"0109521234543213" + "10" + gs + "17": "GS1_LENGTH_WRONG",
		"010952123454321330000000001":         "GS1_LENGTH_WRONG",
		"01095212345432133012X":               "GS1_CHARACTER_WRONG",
		"010952123454321A":                    "GS1_CHARACTER_WRONG",
		"010952123454321310L\u00d6T":          "GS1_CHARACTER_WRONG",
		"010952123454321310A B":               "GS1_CHARACTER_WRONG", // a space is not in the set
		"01095212345432130209521234543214":    "GS1_CHECK_DIGIT_WRONG",
		"010952123454321310A" + gs + "10B":    "GS1_REPEATED",
		"010952123454321370032612012460":      "GS1_DATE_INVALID", // 24:60
	} {
		if _, err := gs1.Parse(scan); !fault.HasReason(err, reason) {
			t.Errorf("%q: %v, wanted %s", scan, err, reason)
		}
	}
	for text, reason := range map[string]string{
		"": "GS1_EMPTY", "01": "GS1_TEXT_INVALID", "(01": "GS1_TEXT_INVALID", "x(01)1": "GS1_TEXT_INVALID", "(1)5": "GS1_IDENTIFIER_UNKNOWN",
		"(0109)5": "GS1_IDENTIFIER_UNKNOWN", "()": "GS1_IDENTIFIER_UNKNOWN", "(10)": "GS1_LENGTH_WRONG",
	} {
		if _, err := gs1.ParseText(text); !fault.HasReason(err, reason) {
			t.Errorf("%q: %v, wanted %s", text, err, reason)
		}
	}
}

// Any list of elements that is read is written and read back the same, as a scan, as text and as a link.
func TestReadingWhatWasWritten(t *testing.T) {
	const characters = `!"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz`
	rapid.Check(t, func(t *rapid.T) {
		value := func(name string) string {
			return rapid.StringOfN(rapid.RuneFrom([]rune(characters)), 1, 20, 20).Draw(t, name)
		}
		elements := []gs1.Element{{AI: "01", Value: "09521234543213"}}
		for _, e := range rapid.Permutation([]gs1.Element{
			{AI: "10", Value: value("lot")}, {AI: "21", Value: value("serial")}, {AI: "17", Value: "270131"}, {AI: "3153", Value: "001893"}, {AI: "240", Value: value("part")},
		}).Draw(t, "order") {
			if rapid.Bool().Draw(t, "with "+e.AI) {
				elements = append(elements, e)
			}
		}
		m := gs1.Message{Elements: elements}
		scanned, err := gs1.Parse("]C1" + m.Scan())
		if err != nil || scanned.Text() != m.Text() {
			t.Fatalf("scan %q: %v, %v", m.Scan(), scanned, err)
		}
		typed, err := gs1.ParseText(m.Text())
		if err != nil || typed.Scan() != m.Scan() {
			t.Fatalf("text %q: %v, %v", m.Text(), typed, err)
		}
		link, err := m.Link("https://id.example/some/place")
		if err != nil {
			t.Fatal(err)
		}
		linked, err := gs1.ParseLink(link)
		if err != nil || len(linked.Elements) != len(elements) {
			t.Fatalf("link %s: %v, %v", link, linked, err)
		}
		for _, e := range elements {
			if linked.Value(e.AI) != e.Value {
				t.Fatalf("link %s: (%s) is %q, wanted %q", link, e.AI, linked.Value(e.AI), e.Value)
			}
		}
	})
}

// Whatever is scanned, reading ends and never panics, and what is read can be read again.
func FuzzParse(f *testing.F) {
	for _, seed := range []string{"]d201095212345432131710010110123ABC" + gs + "211234567890", "https://id.example/01/09521234543213/10/A?17=270131", "(01)09521234543213(10)A"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, scan string) {
		for name, read := range map[string]func(string) (gs1.Message, error){"scan": gs1.Parse, "text": gs1.ParseText, "link": gs1.ParseLink} {
			m, err := read(scan)
			if err != nil {
				continue
			}
			m.Swallowed()
			if again, err := gs1.Parse(m.Scan()); err != nil || again.Text() != m.Text() {
				t.Errorf("%s %q: %v, %v", name, scan, again, err)
			}
		}
	})
}

func TestStraySeparatorsAreIgnored(t *testing.T) {
	m, err := gs1.Parse(gs + "0109521234543213" + gs + "17270131" + gs + "10A" + gs)
	if err != nil || m.Text() != "(01)09521234543213(17)270131(10)A" {
		t.Errorf("%v %v", m, err)
	}
}

func TestJoin(t *testing.T) {
	item, lot := read(t, "0109521234543213"), read(t, "1727013110LOT7A")
	if err := lot.Check(); !fault.HasReason(err, "GS1_INCOMPLETE") {
		t.Errorf("a lot of nothing: %v", err)
	}
	both, err := gs1.Join(item, lot, item)
	if err != nil || both.Check() != nil || both.Text() != "(01)09521234543213(17)270131(10)LOT7A" {
		t.Errorf("%v %v %v", both, err, both.Check())
	}
	if _, err := gs1.Join(lot, read(t, "10LOT7B")); !fault.HasReason(err, "GS1_REPEATED") {
		t.Errorf("two lots: %v", err)
	}
}

func TestPairs(t *testing.T) {
	for text, reason := range map[string]string{
		"(02)09521234543213(37)24":                       "GS1_INCOMPLETE", // (37) wants (00) with (02)
		"(00)376104250021234569(02)09521234543213(37)24": "",
		"(01)09521234543213(02)09521234543213(37)1":      "GS1_CONTRADICTORY",
		"(01)09521234543213(3103)001000(3102)000100":     "GS1_CONTRADICTORY", // two net weights
		"(01)09521234543213(3103)001000(3153)001000":     "",
		"(8020)1(415)9521234543210":                      "GS1_CHECK_DIGIT_WRONG",
		"(21)1":                                          "GS1_INCOMPLETE",
		"(91)anything":                                   "",
	} {
		m, err := gs1.ParseText(text)
		if err == nil {
			err = m.Check()
		}
		if (reason == "" && err != nil) || (reason != "" && !fault.HasReason(err, reason)) {
			t.Errorf("%s: %v, wanted %q", text, err, reason)
		}
	}
}

func TestSwallowed(t *testing.T) {
	for scan, want := range map[string]string{
		"010952123454321310A3103001893":              "(3103)001893",
		"010952123454321310LOT01095212345432131":     "", // not the whole rest is elements
		"1727013121SER0109521234543213":              "(01)09521234543213",
		"010952123454321310LOT17279931":              "",                   // no date
		"010952123454321310A0109521234543213":        "(01)09521234543213", // a second scan of the item behind the first
		"010952123454321310A0109521234543220":        "",                   // another item's number: a lot may look like it
		"010952123454321310LOT7A":                    "",
		"010952123454321310B15-270131":               "",
		"010952123454321317270131" + "10LOT17270131": "", // the date is there already: not taken twice
		"01095212345432132112" + gs + "10X11260101":  "(11)260101",
	} {
		_, tail, found := read(t, scan).Swallowed()
		if tail != want || found != (want != "") {
			t.Errorf("%q: %q %t, wanted %q", scan, tail, found, want)
		}
	}
}

// The third is an example of the GS1 Digital Link standard, from memory, with another host; the others vary it.
func TestLinks(t *testing.T) {
	for link, want := range map[string]string{
		"https://id.example/01/09520123456788":                                "(01)09520123456788",
		"https://id.example/01/9520123456788":                                 "(01)09520123456788", // 13 digits are padded
		"https://id.example/a/b/01/09520123456788/10/ABC1/21/12345?17=180426": "(01)09520123456788(10)ABC1(21)12345(17)180426",
		"http://id.example/01/09520123456788/10/A%2FB?3103=000195&utm=x":      "(01)09520123456788(10)A/B(3103)000195",
		"https://id.example/414/9520123456788/254/32a%2Fb":                    "(414)9520123456788(254)32a/b",
		"https://id.example/00/376104250021234569":                            "(00)376104250021234569",
	} {
		m, err := gs1.ParseLink(link)
		if err != nil || m.Text() != want {
			t.Errorf("%s: %s, %v", link, m.Text(), err)
		}
	}
	for link, reason := range map[string]string{
		"https://id.example/":                                 "GS1_LINK_INVALID",
		"https://id.example/10/ABC":                           "GS1_LINK_INVALID", // no key
		"https://id.example/01/09520123456788/21/1/10/A":      "GS1_LINK_INVALID", // qualifiers out of order
		"https://id.example/01/09520123456788/17/180426":      "GS1_LINK_INVALID", // a date is no qualifier
		"https://id.example/01/09520123456788?21=5":           "GS1_LINK_INVALID", // a serial is no attribute
		"https://id.example/01/09520123456788?99=a&99=b":      "GS1_LINK_INVALID",
		"https://id.example/01/09520123456788?5555=a":         "GS1_LINK_INVALID",
		"https://id.example/01/09520123456789":                "GS1_CHECK_DIGIT_WRONG",
		"ftp://id.example/01/09520123456788":                  "GS1_LINK_INVALID",
		"javascript:alert(1)/01/09520123456788":               "GS1_LINK_INVALID",
		"https://id.example/01/09520123456788/10/%zz":         "GS1_LINK_INVALID",
		"https://id.example/01/09520123456788/10/%E4%B8%AD?x": "GS1_CHARACTER_WRONG",
	} {
		if _, err := gs1.ParseLink(link); !fault.HasReason(err, reason) {
			t.Errorf("%s: %v, wanted %s", link, err, reason)
		}
	}
	if _, err := read(t, "91A").Link("https://id.example"); !fault.HasReason(err, "GS1_LINK_INVALID") {
		t.Errorf("no key: %v", err)
	}
}

func TestNumbers(t *testing.T) {
	// G01 and its body with and without leading zeros; 96385074 is the EAN-8 example of ISO/IEC 15420, from memory.
	for number, want := range map[string]string{
		"6291041500213": "06291041500213", "06291041500213": "06291041500213", "96385074": "00000096385074",
		"6291041500214": "", "629104150021": "", "": "", "123456789": "", "629104150021X": "",
	} {
		got, ok := gs1.GTIN14(number)
		if ok != (want != "") || (ok && got != want) {
			t.Errorf("%s: %s %t", number, got, ok)
		}
	}
	if n := read(t, "01095212345432133012").Count(); n != 12 {
		t.Errorf("count %d", n)
	}
	if n := read(t, "0109521234543213").Count(); n != 0 {
		t.Errorf("no count is %d", n)
	}
	for _, value := range []string{"", "2701", "27013A", "270132", "271301"} {
		if day, ok := gs1.Day(value, today); ok {
			t.Errorf("%q is %v", value, day)
		}
	}
}

// Every identifier of the table is read with the shortest value of its format, and is found again behind another element.
func TestEveryIdentifierOfTheTable(t *testing.T) {
	table, err := os.ReadFile("identifiers.txt")
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for line := range strings.Lines(string(table)) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		fields := strings.Fields(line)
		for ai := range strings.SplitSeq(fields[0], "-") {
			want := "(" + ai + ")" + shortest(fields[1])
			m, err := gs1.ParseText(want)
			if err != nil || m.Text() != want {
				t.Errorf("%s: %v, %v", want, m, err)
				continue
			}
			if e := m.Elements[0]; e.Title() != strings.Join(fields[7:], " ") {
				t.Errorf("%s is called %q", want, e.Title())
			}
			seen++
			const other, text = "99A", "(99)A"
			if ai == "99" {
				continue
			}
			if behind, before := read(t, other+gs+m.Scan()), read(t, m.Scan()+gs+other); behind.Text() != text+want || before.Text() != want+text {
				t.Errorf("with another: %s and %s", behind.Text(), before.Text())
			}
		}
	}
	if seen < 250 {
		t.Errorf("%d identifiers", seen)
	}
}

// shortest is the shortest value of a format of the table: zeros, whose check digit is 0, and dates and times.
func shortest(format string) string {
	var value strings.Builder
	for piece := range strings.SplitSeq(format, "/") {
		name, checks, _ := strings.Cut(piece, ":")
		if name[0] == '?' {
			break
		}
		n := 1
		if !strings.Contains(name, "..") {
			n, _ = strconv.Atoi(name[1:])
		}
		text := strings.Repeat("0", n)
		switch checks {
		case "yymmd0":
			text = "260200"
		case "yymmdd":
			text = "280229"
		case "yyyymmdd":
			text = "20280229"
		case "nonzero":
			text = strings.Repeat("0", n-1) + "1"
		}
		value.WriteString(text)
	}
	return value.String()
}

func read(t *testing.T, scan string) gs1.Message {
	t.Helper()
	m, err := gs1.Parse(scan)
	if err != nil {
		t.Fatalf("%q: %v", scan, err)
	}
	return m
}
