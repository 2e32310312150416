package scan_test

import (
	"strings"
	"testing"
	"time"
	"unicode"

	"pgregory.net/rapid"

	"coldsection.example/services/consumables/internal/scan"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/platform/fault"
)

const gs = "\x1d"

var code = stock.ShortCode(4711)

func TestWhatIsUnderstood(t *testing.T) {
	lastDay := time.Date(2027, 1, 31, 0, 0, 0, 0, time.UTC)
	label := scan.OwnElements(code, lastDay)
	for text, want := range map[string]scan.Read{
		code:                                 {Kind: scan.ShortCode, Code: code},
		" " + strings.ToLower(code) + "\r\n": {Kind: scan.ShortCode, Code: code},
		"]Q1" + code:                         {Kind: scan.ShortCode, Code: code},
		"]d2" + label.Scan():                 {Kind: scan.OwnLabel, Code: code, LabelDay: "270131"},
		label.Scan():                         {Kind: scan.OwnLabel, Code: code, LabelDay: "270131"}, // no symbology identifier: the check character tells
		gs + label.Scan():                    {Kind: scan.OwnLabel, Code: code, LabelDay: "270131"},
		label.Text():                         {Kind: scan.OwnLabel, Code: code, LabelDay: "270131"},
		"]d2" + scan.OwnElements(code, time.Time{}).Scan():     {Kind: scan.OwnLabel, Code: code},
		"https://stores.example/x/lots/" + code:                {Kind: scan.OwnLink, Code: code},
		"HTTPS://STORES.EXAMPLE/LOTS/" + strings.ToLower(code): {Kind: scan.OwnLink, Code: code}, // QR in capitals, or caps lock
		"lots/l1": {Kind: scan.Name, Name: "lots/l1"},
	} {
		got, err := scan.Understand(text)
		if err != nil || got.Kind != want.Kind || got.Code != want.Code || got.LabelDay != want.LabelDay || got.Name != want.Name {
			t.Errorf("%q: %+v, %v, wanted %+v", text, got, err, want)
		}
	}
	for text, want := range map[string]struct {
		kind scan.Kind
		text string
	}{
		"]d201095212345432131727013110LOT7A":        {scan.Elements, "(01)09521234543213(17)270131(10)LOT7A"}, // case G08
		"01095212345432131727013110LOT7A":           {scan.Elements, "(01)09521234543213(17)270131(10)LOT7A"},
		"(01)09521234543213(10)LOT7A":               {scan.Elements, "(01)09521234543213(10)LOT7A"},
		"(01) 09521234543213 (10) LOT7A":            {scan.Elements, "(01)09521234543213(10)LOT7A"}, // as people type it
		"]e00109521234543213":                       {scan.Elements, "(01)09521234543213"},
		"https://id.example/01/09521234543213/10/A": {scan.Link, "(01)09521234543213(10)A"},
		"]E09521234543213":                          {scan.TradeItem, "(01)09521234543213"},
		"]E06291041500213":                          {scan.TradeItem, "(01)06291041500213"},     // case G01
		"]d2010952123454321391X":                    {scan.Elements, "(01)09521234543213(91)X"}, // another company's (91)
	} {
		got, err := scan.Understand(text)
		if err != nil || got.Kind != want.kind || got.Message.Text() != want.text {
			t.Errorf("%q: %+v, %v, wanted %v", text, got, err, want)
		}
	}
}

func TestWhatIsRefused(t *testing.T) {
	wrong := code[:6] + "2"
	if wrong == code {
		wrong = code[:6] + "3"
	}
	for text, reason := range map[string]string{
		"": "SCAN_NOT_UNDERSTOOD", "LOT7A": "SCAN_NOT_UNDERSTOOD", "12345": "SCAN_NOT_UNDERSTOOD", "17270131": "SCAN_NOT_UNDERSTOOD",
		"10LOT7A": "CHECK_CHARACTER_WRONG", // seven characters and no code of ours
		wrong:     "CHECK_CHARACTER_WRONG", "]d291270131" + wrong: "CHECK_CHARACTER_WRONG", "https://x.example/lots/" + wrong: "CHECK_CHARACTER_WRONG",
		"]D201095212345432131727013110LOT7A": "SCAN_GARBLED", "]q3": "SCAN_GARBLED",
		"]d291270131" + code + "10LOT7A": "SCAN_NOT_UNDERSTOOD", // a second code run into ours
		"]d2270131":                      "GS1_IDENTIFIER_UNKNOWN", "https://x.example/about": "GS1_LINK_INVALID", "(01)1": "GS1_LENGTH_WRONG",
	} {
		if got, err := scan.Understand(text); !fault.HasReason(err, reason) {
			t.Errorf("%q: %+v, %v, wanted %s", text, got, err, reason)
		}
	}
}

// What a scanner that types sends by a wrong set-up is refused, and the refusal says what to set: caps lock, a German and a French layout (from
// memory), two scans in one, and what stands for the separator where it is not GS.
func TestScansThatWereSpoilt(t *testing.T) {
	const item = "0109521234543213"
	label := "]d2" + scan.OwnElements(code, time.Date(2027, 1, 31, 0, 0, 0, 0, time.UTC)).Scan()
	german := strings.NewReplacer("]", "+", "y", "z", "z", "y", "Y", "Z", "Z", "Y", "-", "ß", "/", "-").Replace
	french := strings.NewReplacer(
		"]", "$", "1", "&", "2", "é", "3", "\"", "4", "'", "5", "(", "6", "-", "7", "è", "8", "_", "9", "ç", "0", "à", "A", "Q", "Q", "A", "W", "Z", "Z", "W",
	).Replace
	for text, want := range map[string][2]string{
		caps(label):                                {"SCAN_GARBLED", "caps lock is on"},
		caps("]e0" + item + "10LOT7A"):             {"SCAN_GARBLED", "begins with ]E0: caps lock is on"},
		caps("]E09521234543213"):                   {"SCAN_GARBLED", "begins with ]e0: caps lock is on"},
		german(label):                              {"SCAN_NOT_UNDERSTOOD", "the keyboard layout of this computer"},
		french(label):                              {"SCAN_NOT_UNDERSTOOD", "the keyboard layout of this computer"},
		french(code):                               {"SCAN_NOT_UNDERSTOOD", "the keyboard layout of this computer"},
		german("]d2" + item + "10A-1"):             {"SCAN_NOT_UNDERSTOOD", "the keyboard layout of this computer"},
		german(item + "10A-1"):                     {"GS1_CHARACTER_WRONG", "the keyboard layout of this computer"},
		code + code:                                {"SCAN_NOT_UNDERSTOOD", "type the seven characters"},
		label + label:                              {"GS1_CHARACTER_WRONG", "two scans ran into one"},
		"]d2" + item + "10LOT7A]d2" + item:         {"GS1_CHARACTER_WRONG", "two scans ran into one"},
		item + "10LOT7A" + item + "10LOT7A":        {"GS1_LENGTH_WRONG", "set it to send GS (ASCII 29)"},
		item + "17270131" + item + "17270231":      {"GS1_DATE_INVALID", "(17) 270231"},
		item + "17270131" + item + "17270228":      {"GS1_REPEATED", "Scan one thing at a time"},
		item + "17270000":                          {"GS1_DATE_INVALID", "type what the label says"},
		"]d2" + item + "10LOT7A^]17270131":         {"GS1_CHARACTER_WRONG", "send GS (ASCII 29) as separator"},
		"]d2" + item + "10LOT7A{GS}17270131":       {"GS1_CHARACTER_WRONG", "send GS (ASCII 29) as separator"},
		"]d2" + item + "10LOT7A\u241d17270131":     {"GS1_CHARACTER_WRONG", "send GS (ASCII 29) as separator"},
		"]d2" + item + "10LOT7A\x1e17270131":       {"GS1_CHARACTER_WRONG", "send GS (ASCII 29) as separator"},
		"001234567890123456" + "74" + "10LOT7A\t1": {"SCAN_NOT_UNDERSTOOD", "symbology identifier"}, // whose check digit is wrong
	} {
		got, err := scan.Understand(text)
		if !fault.HasReason(err, want[0]) || !strings.Contains(err.Error(), want[1]) {
			t.Errorf("%q: %+v, %v, wanted %s with %q", text, got, err, want[0], want[1])
		}
	}
}

// caps is what caps lock makes of a text.
func caps(text string) string {
	return strings.Map(func(r rune) rune {
		if u := unicode.ToUpper(r); u != r {
			return u
		}
		return unicode.ToLower(r)
	}, text)
}

func TestTwoCodesOnOneThing(t *testing.T) {
	both, err := scan.Understand("]C11727013110LOT7A", "]C10109521234543213")
	if err != nil || both.Message.Check() != nil || both.Message.Value("01") != "09521234543213" || both.Message.Value("10") != "LOT7A" {
		t.Errorf("%+v %v", both, err)
	}
	for _, c := range []struct{ first, second, reason string }{
		{"]d2" + scan.OwnElements(code, time.Time{}).Scan(), "]C110LOT7A", "SCAN_NOT_UNDERSTOOD"},
		{"]C110LOT7A", code, "SCAN_NOT_UNDERSTOOD"},
		{"]C110LOT7A", "]C110LOT7B", "GS1_REPEATED"},
		{"]C110LOT7A", "nonsense", "SCAN_NOT_UNDERSTOOD"},
	} {
		if got, err := scan.Understand(c.first, c.second); !fault.HasReason(err, c.reason) {
			t.Errorf("%q and %q: %+v, %v, wanted %s", c.first, c.second, got, err, c.reason)
		}
	}
}

// Every label that is made is read as itself, and with one wrong or two swapped characters of its code it is refused.
func TestOwnLabels(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		code := stock.ShortCode(rapid.Int64Range(0, 500_000_000).Draw(t, "lot"))
		day := time.Date(2026, 1, rapid.IntRange(1, 9000).Draw(t, "day"), 0, 0, 0, 0, time.UTC)
		value := scan.OwnElements(code, day).Scan()
		r, err := scan.Understand("]d2" + value)
		if err != nil || r.Code != code || r.LabelDay != day.Format("060102") {
			t.Fatalf("%s: %+v, %v", value, r, err)
		}
		at := rapid.IntRange(len(value)-7, len(value)-2).Draw(t, "at")
		if value[at] == value[at+1] {
			return
		}
		swapped := value[:at] + value[at+1:at+2] + value[at:at+1] + value[at+2:]
		if r, err := scan.Understand("]d2" + swapped); !fault.HasReason(err, "CHECK_CHARACTER_WRONG") {
			t.Fatalf("%s: %+v, %v", swapped, r, err)
		}
	})
}
