// Package scan understands what a scanner or a keyboard sent: our own label, our short code, a supplier's GS1 code or link,
// or a trade item number. What it can't tell for sure it refuses; it never guesses.
package scan

import (
	"net/url"
	"slices"
	"strings"

	"coldsection.example/services/consumables/internal/gs1"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/platform/fault"
)

// Kind says what carried the code.
type Kind int

// The kinds.
const (
	Name      Kind = iota + 1 // the resource name of a lot
	ShortCode                 // our short code, typed or scanned
	OwnLabel                  // the DataMatrix of our label
	OwnLink                   // the QR of our label, as an address
	Elements                  // a supplier's GS1 element string
	Link                      // a supplier's GS1 Digital Link
	TradeItem                 // a trade item number alone
)

// Read is what was understood.
type Read struct {
	Kind     Kind
	Name     string      // of a lot, for Name
	Code     string      // our short code, for ShortCode, OwnLabel and OwnLink
	LabelDay string      // the last usable day that our label shows, YYMMDD; empty when it shows none
	Message  gs1.Message // for Elements, Link and TradeItem
}

// Understand reads what was scanned, and what else was scanned on the same thing. Reasons: SCAN_NOT_UNDERSTOOD, SCAN_GARBLED,
// CHECK_CHARACTER_WRONG, and those of package gs1.
func Understand(text string, also ...string) (Read, error) {
	r, err := understand(text)
	if err != nil || len(also) == 0 {
		return r, err
	}
	for _, other := range also {
		more, err := understand(other)
		if err != nil {
			return Read{}, err
		}
		if r.Kind < Elements || more.Kind < Elements {
			return Read{}, fault.Invalid("also_scanned", "SCAN_NOT_UNDERSTOOD", "Only the supplier's codes on one thing are read together. Scan our own label alone.")
		}
		if r.Message, err = gs1.Join(r.Message, more.Message); err != nil {
			return Read{}, err
		}
		r.Kind = min(r.Kind, more.Kind)
	}
	return r, nil
}

// garbled are symbology identifiers as a keyboard scanner sends them with caps lock on.
var garbled = []string{"]D2", "]q3", "]c1", "]j1"}

// otherCase says whether the identifiers of two symbols were taken for each other, which differ in case alone: ]E0 carries at most the 13 digits of an
// item number and five beside it, and ]e0 an identifier with at least the 14 digits of one (ISO/IEC 15424 and General Specifications 5, from memory).
func otherCase(id, data string) bool {
	digitsOnly := strings.Trim(data, "0123456789") == ""
	return id == "]E0" && (!digitsOnly || len(data) > 18) || id == "]e0" && digitsOnly && len(data) < 16
}

func understand(text string) (Read, error) {
	text = strings.Trim(text, " \t\r\n")
	id, data, isGS1 := gs1.Symbology(text)
	if slices.Contains(garbled, id) || otherCase(id, data) {
		return Read{}, fault.Invalid("code", "SCAN_GARBLED", "The scan begins with %s: caps lock is on, or the keyboard layouts differ. Turn it off and scan again.", id)
	}
	if isGS1 {
		return elements(data)
	}
	if id != "" {
		text = data
	}
	return plain(text)
}

// plain reads what no symbology identifier announces as GS1.
func plain(text string) (Read, error) {
	lower := strings.ToLower(text)
	switch {
	case strings.HasPrefix(lower, "http://"), strings.HasPrefix(lower, "https://"):
		return link(text)
	case strings.HasPrefix(text, "lots/"):
		return Read{Kind: Name, Name: text}, nil
	case strings.HasPrefix(text, "("):
		m, err := gs1.ParseText(text)
		return own(Read{Kind: Elements, Message: m}, err)
	case strings.Contains(text, "\x1d"), bearsProof(text):
		return elements(text)
	}
	if number, ok := gs1.GTIN14(text); ok {
		return Read{Kind: TradeItem, Message: gs1.Message{Elements: []gs1.Element{{AI: "01", Value: number}}}}, nil
	}
	if len(text) == stock.ShortCodeLength {
		code, err := stock.ReadShortCode(text)
		return Read{Kind: ShortCode, Code: code}, err
	}
	return Read{}, fault.Invalid("code", "SCAN_NOT_UNDERSTOOD",
		"%.60q is neither a code of ours nor a GS1 code that says so. "+
			"Set the scanner to send the symbology identifier, and to the keyboard layout of this computer; or type the seven characters of our label.", text)
}

// bearsProof says whether text without a symbology identifier can only be an element string: it begins with an item or
// shipping number whose check digit is right, whatever is wrong behind it, or is an own label whose check character is.
func bearsProof(text string) bool {
	for _, length := range []int{len("01") + 14, len("00") + 18} {
		if len(text) < length || text[:2] != "00" && text[:2] != "01" {
			continue
		}
		if m, err := gs1.Parse(text[:length]); err == nil && len(m.Elements) == 1 {
			return true
		}
	}
	m, err := gs1.Parse(text)
	if err != nil {
		return false
	}
	_, isOwn, err := readOwn(m)
	return isOwn && err == nil
}

func elements(data string) (Read, error) {
	m, err := gs1.Parse(data)
	return own(Read{Kind: Elements, Message: m}, err)
}

// own tells our label from a supplier's code.
func own(r Read, err error) (Read, error) {
	if err != nil {
		return Read{}, err
	}
	label, isOwn, err := readOwn(r.Message)
	if isOwn {
		return label, err
	}
	return r, nil
}

// link reads an address: one of ours ends in /lots/ and the short code, in capitals where a symbol or caps lock made it so; every other one must be a
// GS1 Digital Link.
func link(text string) (Read, error) {
	if u, err := url.Parse(text); err == nil {
		segments := strings.Split(strings.Trim(u.Path, "/"), "/")
		if n := len(segments); n >= 2 && strings.EqualFold(segments[n-2], "lots") && len(segments[n-1]) == stock.ShortCodeLength {
			code, err := stock.ReadShortCode(segments[n-1])
			return Read{Kind: OwnLink, Code: code}, err
		}
	}
	m, err := gs1.ParseLink(text)
	if err != nil {
		return Read{}, err
	}
	return Read{Kind: Link, Message: m}, nil
}
