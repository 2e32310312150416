package printing

import (
	"fmt"
	"image/color"
	"strings"

	"github.com/boombuler/barcode"
	"github.com/boombuler/barcode/datamatrix"
	"github.com/boombuler/barcode/qr"
)

// Symbol is a square bar code: its dark modules and the quiet zone around them.
type Symbol struct {
	dark  [][]bool // rows from the top
	quiet int      // modules
}

// DataMatrix encodes plain text (ISO/IEC 16022) of ASCII characters.
func DataMatrix(text string) (Symbol, error) {
	if strings.Trim(text, ascii) != "" || text == "" {
		return Symbol{}, fmt.Errorf("printing: %.40q is not the ASCII text that a DataMatrix takes here", text)
	}
	return symbolOf(datamatrix.Encode(text))(1)
}

// GS1DataMatrix encodes a GS1 element string, without symbology identifier; \x1D in it separates elements. The symbol
// begins with FNC1, which is what makes it a GS1 one.
func GS1DataMatrix(elements string) (Symbol, error) {
	plain := strings.ReplaceAll(elements, "\x1d", "")
	if strings.Trim(plain, ascii) != "" || plain == "" {
		return Symbol{}, fmt.Errorf("printing: %.40q is not a GS1 element string", elements)
	}
	fnc1 := string([]byte{datamatrix.FNC1})
	return symbolOf(datamatrix.Encode(fnc1 + strings.ReplaceAll(elements, "\x1d", fnc1)))(1)
}

// QR encodes plain text (ISO/IEC 18004) with error correction level M: 15 % of the code words may be damaged.
func QR(text string) (Symbol, error) { return symbolOf(qr.Encode(text, qr.M, qr.Auto))(4) }

// ascii are the printable characters of ASCII.
var ascii = func() string {
	var b strings.Builder
	for c := byte(' '); c <= '~'; c++ {
		b.WriteByte(c)
	}
	return b.String()
}()

// symbolOf takes the modules over; the quiet zone is what the symbology asks for, in modules.
func symbolOf(code barcode.Barcode, err error) func(quiet int) (Symbol, error) {
	return func(quiet int) (Symbol, error) {
		if err != nil {
			return Symbol{}, err
		}
		s := Symbol{quiet: quiet}
		for y := range code.Bounds().Dy() {
			row := make([]bool, code.Bounds().Dx())
			for x := range row {
				row[x] = color.GrayModel.Convert(code.At(x, y)) == color.Gray{}
			}
			s.dark = append(s.dark, row)
		}
		return s, nil
	}
}

// Modules is how many modules the symbol has on each side, quiet zone included.
func (s Symbol) Modules() int { return len(s.dark) + 2*s.quiet }

// run is a row of dark modules side by side, in modules from the top left corner of the quiet zone.
type run struct{ x, y, length float64 }

func (s Symbol) runs() []run {
	var all []run
	for y, row := range s.dark {
		for x, dark := range row {
			switch {
			case !dark:
			case x > 0 && row[x-1]:
				all[len(all)-1].length++
			default:
				all = append(all, run{x: float64(x + s.quiet), y: float64(y + s.quiet), length: 1})
			}
		}
	}
	return all
}
