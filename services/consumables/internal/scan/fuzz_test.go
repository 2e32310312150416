package scan_test

import (
	"testing"
	"time"

	"coldsection.example/services/consumables/internal/scan"
	"coldsection.example/services/consumables/internal/stock"
)

// Whatever a scanner or a keyboard sends, it is refused or understood as one thing that is whole: our own code has its check character, and
// what a supplier's code says can be scanned again and says the same.
func FuzzUnderstand(f *testing.F) {
	own := stock.ShortCode(7919)
	for _, seed := range []string{
		own, " " + own + "\r\n", scan.OwnElements(own, time.Date(2027, 1, 31, 0, 0, 0, 0, time.UTC)).Scan(), scan.OwnElements(own, time.Time{}).Text(),
		"https://stores.example/lots/" + own, "lots/l1", "]d2010952123454321310LOT7A\x1d17270131", "]d2010952123454321310LOT7A17270131",
		"]d201095212345432131727010010LOT7A", "]D20109521234543213", "(01)09521234543213(17)271301(10)A", "09521234543213", "(91)270131" + own, "]d291", "(", "",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		read, err := scan.Understand(text)
		if err != nil {
			return
		}
		switch read.Kind {
		case scan.Name:
			if read.Name == "" {
				t.Errorf("%q names nothing", text)
			}
		case scan.ShortCode, scan.OwnLabel, scan.OwnLink:
			if len(read.Code) != stock.ShortCodeLength || !stock.ShortCodeValid(read.Code) {
				t.Errorf("%q is read as our code %q", text, read.Code)
			}
		default:
			again, err := scan.Understand("]d2" + read.Message.Scan())
			if err != nil || again.Message.Text() != read.Message.Text() {
				t.Errorf("%q says %s, and that says %s (%v)", text, read.Message.Text(), again.Message.Text(), err)
			}
		}
	})
}
