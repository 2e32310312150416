// Package ghs holds what a label of hazardous goods says by the GHS of the United Nations: the signal word that hazard statements
// call for, and the pictograms, drawn here from their description.
package ghs

import (
	"strings"

	"coldsection.example/services/platform/fault"
)

// Word is a signal word; a higher one takes the place of a lower one on a label.
type Word int

// The signal words.
const (
	None Word = iota
	Warning
	Danger
)

// String is the word as a label prints it.
func (w Word) String() string { return [...]string{"", "WARNING", "DANGER"}[w] }

// Statements by the word that their category has: UN GHS, annex 3, table A3.1.1 to A3.1.3 (CLP 1272/2008, annexes I and III), from
// memory. What is in neither has no signal word, as H411; what is in both stands for two categories, as H272.
var (
	danger = codes("H200 H201 H202 H203 H205 H206 H207 H220 H222 H224 H225 H228 H230 H240 H241 H242 H250 H251 H260 H261 H270 H271 H272 " +
		"H300 H301 H304 H310 H311 H314 H318 H330 H331 H334 H340 H350 H360 H370 H372")
	warning = codes("H204 H207 H208 H221 H223 H226 H227 H228 H229 H231 H242 H252 H261 H272 H280 H281 H290 " +
		"H302 H303 H305 H312 H313 H315 H316 H317 H319 H320 H332 H333 H335 H336 H341 H351 H361 H371 H373 H400 H410 H420")
)

func codes(text string) map[string]bool {
	set := map[string]bool{}
	for code := range strings.FieldsSeq(text) {
		set[code] = true
	}
	return set
}

// Called is the word that statements call for, each beginning with its code. It is open where a code stands for two categories
// with different words and no other statement settles it; the stricter is then returned.
func Called(statements []string) (word Word, open bool) {
	for _, s := range statements {
		for code := range strings.SplitSeq(head(s), "+") {
			code = code[:min(4, len(code))]
			switch d, w := danger[code], warning[code]; {
			case d && w:
				open = true
			case d:
				return Danger, false
			case w:
				word = max(word, Warning)
			}
		}
	}
	if open {
		word = Danger
	}
	return word, open
}

// head is the codes of a statement, such as "H301+H311".
func head(statement string) string {
	var out strings.Builder
	for field := range strings.FieldsSeq(statement) {
		if field != "+" && !strings.HasPrefix(strings.TrimPrefix(field, "+"), "H") && !strings.HasPrefix(field, "EUH") {
			break
		}
		if !strings.ContainsAny(field, "0123456789+") {
			break // a word that begins with an H
		}
		out.WriteString(field)
	}
	return out.String()
}

// Settle is the word of an item whose data sheet says entered, or None where that was left out. Reasons: SIGNAL_WORD_WRONG,
// SIGNAL_WORD_NEEDED.
func Settle(entered Word, statements []string) (Word, error) {
	called, open := Called(statements)
	switch {
	case open && entered == None:
		return None, fault.Invalid("item.signal_word", "SIGNAL_WORD_NEEDED", "These hazard statements stand for categories with DANGER and with WARNING. Enter the word of the safety data sheet.")
	case !open && entered != None && entered != called:
		return None, fault.Invalid("item.signal_word", "SIGNAL_WORD_WRONG", "The hazard statements call for %q and not for %q. Compare both with the safety data sheet.", called, entered)
	case open:
		return entered, nil
	}
	return called, nil
}
