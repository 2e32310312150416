package printing

import (
	"bytes"
	"fmt"
	"strings"
	"sync"
	"unicode"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/gomono"
	"golang.org/x/image/font/gofont/gomonobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
)

// addFonts makes the fonts known. Each document gets copies, because cutting a font down to what is used writes into it.
func addFonts(pdf *fpdf.Fpdf) {
	pdf.AddUTF8FontFromBytes("go", "", bytes.Clone(goregular.TTF))
	pdf.AddUTF8FontFromBytes("go", "B", bytes.Clone(gobold.TTF))
	pdf.AddUTF8FontFromBytes("gomono", "", bytes.Clone(gomono.TTF))
	pdf.AddUTF8FontFromBytes("gomono", "B", bytes.Clone(gomonobold.TTF))
}

// glyphs knows which characters the fonts have; all four have the same ones.
var glyphs = sync.OnceValue(func() func(rune) bool {
	font, err := sfnt.Parse(goregular.TTF)
	if err != nil {
		return func(rune) bool { return false }
	}
	return func(r rune) bool {
		var buffer sfnt.Buffer
		index, err := font.GlyphIndex(&buffer, r)
		return err == nil && index != 0
	}
})

// Unwritten is the first letter or digit of a text that the fonts lack; false when they have all. Marks and pictures are not meant: what they
// leave behind can be read.
func Unwritten(text string) (letter rune, found bool) {
	has := glyphs()
	for _, r := range text {
		if (unicode.IsLetter(r) || unicode.IsDigit(r)) && !has(r) {
			return r, true
		}
	}
	return 0, false
}

// printable shows what can't be printed instead of leaving it out: a missing character as [U+0000], white space as spaces.
func printable(text string) string {
	has := glyphs()
	var b strings.Builder
	for _, r := range text {
		switch {
		case r == '\t', r == '\n', r == '\r':
			b.WriteByte(' ')
		case r >= ' ' && r <= '~', has(r):
			b.WriteRune(r)
		default:
			fmt.Fprintf(&b, "[U+%04X]", r)
		}
	}
	return b.String()
}
