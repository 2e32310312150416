package printing_test

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"coldsection.example/services/platform/printing"
	"coldsection.example/services/platform/printing/printingtest"
)

var meta = printing.Meta{
	Title: "Work pack <demonstration> & more", Subject: "Compressor wash", Author: "Example repair station", Number: "WO-0001",
	Hash: "9f86d081884c7d65", Notice: "DEMONSTRATION ONLY", Created: time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC),
}

// sample has one of everything, and a table over several pages.
func sample(t *testing.T) []byte {
	t.Helper()
	d := printing.NewDocument(meta, printing.A4)
	d.Heading(1, "Compressor wash")
	d.Caution("Warning", "The igniters carry high voltage. Pull both circuit breakers before you open the cowling, and hang the tag on them.")
	d.Paragraph("Ng 51.4 % · ΔT45 +11 °C ≤ 15 °C · 3.785 L (1 US gal) · ½ µS/cm · Ж ω")
	d.Heading(2, "Steps")
	d.Tick("Breakers pulled", true)
	d.Tick("Intake covers off", false)
	d.WriteIn("Volume used, in L", 9)
	table := printing.Table{RowHeight: 7, Columns: []printing.Column{
		{Title: "No.", Weight: 1, Align: printing.Right}, {Title: "What", Weight: 8}, {Title: "Hash", Weight: 3, Mono: true}, {Title: "Done", Weight: 1},
	}}
	for i := range 90 {
		table.Rows = append(table.Rows, []string{fmt.Sprint(i + 1), "Row that says " + strings.Repeat("what was done ", i%7), "0123456789abcdef", printing.EmptyBox})
	}
	d.Table(table)
	img := image.NewNRGBA(image.Rect(0, 0, 40, 20))
	for x := range 40 {
		img.Set(x, x/2, color.NRGBA{R: 255, A: 128})
	}
	d.Image(60, img)
	code, err := printing.QR("https://example.invalid/records/1")
	if err != nil {
		t.Fatal(err)
	}
	d.Symbol(25, code, "Scan to read the record")
	return must(d.PDF())
}

func must(pdf []byte, err error) []byte {
	if err != nil {
		panic(err)
	}
	return pdf
}

func TestDocumentIsAnArchiveFile(t *testing.T) {
	pdf := sample(t)
	printingtest.CheckArchive(t, pdf)
	for i, size := range printingtest.PageSizes(t, pdf) {
		if math.Abs(size[0]-210) > 0.01 || math.Abs(size[1]-297) > 0.01 {
			t.Errorf("page %d measures %.2f mm by %.2f mm", i+1, size[0], size[1])
		}
	}
}

func TestSameContentGivesSameBytes(t *testing.T) {
	first := sample(t)
	for range 5 {
		if !bytes.Equal(first, sample(t)) {
			t.Fatal("the same content gave other bytes")
		}
	}
	later := meta
	later.Created = meta.Created.Add(time.Second)
	if bytes.Equal(must(printing.NewDocument(meta, printing.A4).PDF()), must(printing.NewDocument(later, printing.A4).PDF())) {
		t.Error("the time of making is not in the file")
	}
}

func TestTableBreaksOverPages(t *testing.T) {
	text := printingtest.Text(t, sample(t))
	pages := strings.Split(strings.TrimSuffix(text, "\f"), "\f")
	if len(pages) < 3 {
		t.Fatalf("%d pages, wanted a table over three at least", len(pages))
	}
	for i, page := range pages {
		for _, want := range []string{fmt.Sprintf("Page %d of %d", i+1, len(pages)), "WO-0001", "9f86d081884c7d65", "DEMONSTRATION ONLY", meta.Title} {
			if !strings.Contains(page, want) {
				t.Errorf("page %d does not say %q", i+1, want)
			}
		}
		if inTable := strings.Contains(page, "0123456789abcdef"); inTable != strings.Contains(page, "Done") {
			t.Errorf("page %d: rows %t, but the table's head says otherwise", i+1, inTable)
		}
	}
	for i := range 90 {
		if !regexp.MustCompile(fmt.Sprintf(` %d +Row that says`, i+1)).MatchString(text) {
			t.Errorf("row %d is missing", i+1)
		}
	}
}

func TestRowHigherThanAPageGoesOn(t *testing.T) {
	d := printing.NewDocument(meta, printing.A4)
	words := make([]string, 3000)
	for i := range words {
		words[i] = fmt.Sprintf("word%d", i)
	}
	d.Table(printing.Table{Columns: []printing.Column{{Title: "All", Weight: 1}}, Rows: [][]string{{strings.Join(words, " ")}}})
	got := strings.Fields(printingtest.Text(t, must(d.PDF())))
	at := 0
	for _, w := range got {
		if at < len(words) && w == words[at] {
			at++
		}
	}
	if at != len(words) {
		t.Errorf("the row ends at word %d of %d", at, len(words))
	}
}

func TestLongTextStaysInsideThePage(t *testing.T) {
	d := printing.NewDocument(meta, printing.Letter)
	d.Paragraph(strings.Repeat("W", 4000))
	d.Caution("Caution", strings.Repeat("Long words everywhere. ", 40))
	pdf := must(d.PDF())
	for page := range printingtest.PageSizes(t, pdf) {
		img := printingtest.Picture(t, printingtest.Render(t, pdf, page+1, 40))
		b := img.Bounds()
		for y := range b.Dy() {
			for x := range b.Dx() {
				if (x < 20 || x > b.Dx()-20) && color.GrayModel.Convert(img.At(x, y)) != (color.Gray{Y: 255}) {
					t.Fatalf("ink in the margin of page %d at %d, %d", page+1, x, y)
				}
			}
		}
	}
}

func TestCharactersThatTheFontsLackAreShown(t *testing.T) {
	d := printing.NewDocument(meta, printing.A4)
	d.Paragraph("Müller \u4e2d \x01 \u202e \U0001F600")
	text := printingtest.Text(t, must(d.PDF()))
	for _, want := range []string{"Müller", "[U+4E2D]", "[U+0001]", "[U+202E]", "[U+1F600]"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in %q", want, text)
		}
	}
}

// Letters and digits that the fonts lack are told; what is neither is not.
func TestLettersThatTheFontsLackAreTold(t *testing.T) {
	for text, want := range map[string]rune{"Müller Ω Ж 42": 0, "a \U0001F600 e\u0301": 0, "": 0, "L \u4e2d\u6587": '\u4e2d', "\u0644": '\u0644', "\u0664": '\u0664'} {
		if got, found := printing.Unwritten(text); got != want || found != (want != 0) {
			t.Errorf("%q lacks %q (%v), want %q", text, got, found, want)
		}
	}
}

func TestDocumentNeedsItsTime(t *testing.T) {
	if _, err := printing.NewDocument(printing.Meta{Title: "x"}, printing.A4).PDF(); err == nil {
		t.Error("a document without its time was made")
	}
}

func TestSymbolsAreReadByOthers(t *testing.T) {
	const plain = "LOT-7A/2026"
	const elements = "0109521234543213" + "3012" + "\x1d" + "10AB/C-1" // case G23
	for name, c := range map[string]struct {
		symbol func() (printing.Symbol, error)
		read   func(testing.TB, []byte) string
		want   string
	}{
		"DataMatrix":     {func() (printing.Symbol, error) { return printing.DataMatrix(plain) }, printingtest.DataMatrix, plain},
		"GS1 DataMatrix": {func() (printing.Symbol, error) { return printing.GS1DataMatrix(elements) }, printingtest.DataMatrix, "\x1d" + elements},
		"QR":             {func() (printing.Symbol, error) { return printing.QR(plain) }, printingtest.QR, plain},
	} {
		symbol, err := c.symbol()
		if err != nil {
			t.Fatal(err)
		}
		canvas := printing.NewCanvas(meta, printing.Size{Width: 30, Height: 20})
		canvas.Symbol(3, 2, 12, symbol)
		picture := printingtest.Render(t, must(canvas.PDF()), 1, 300)
		if got := c.read(t, picture); got != c.want {
			t.Errorf("%s reads as %q, wanted %q", name, got, c.want)
		}
	}
}

func TestSymbolsRefuseWhatTheyCannotHold(t *testing.T) {
	for name, f := range map[string]func(string) (printing.Symbol, error){"DataMatrix": printing.DataMatrix, "GS1DataMatrix": printing.GS1DataMatrix} {
		for _, bad := range []string{"", "ü", "a\nb", strings.Repeat("a", 4000)} {
			if _, err := f(bad); err == nil {
				t.Errorf("%s takes %.10q", name, bad)
			}
		}
	}
	if _, err := printing.QR(strings.Repeat("a", 4000)); err == nil {
		t.Error("QR takes 4,000 characters")
	}
}

// What is kept together stands on one page, and fills the rest of a page where it fits; what is higher than a page is parted.
func TestWhatIsKeptTogetherIsNotParted(t *testing.T) {
	for _, rows := range []int{1, 12, 25, 60} {
		d := printing.NewDocument(meta, printing.A4)
		for block := range 9 {
			d.Together(func(d *printing.Document) {
				d.Heading(2, fmt.Sprintf("Block %d begins", block))
				table := printing.Table{Columns: []printing.Column{{Title: "What", Weight: 1}}}
				for row := range rows {
					table.Rows = append(table.Rows, []string{fmt.Sprintf("row %d of block %d", row+1, block)})
				}
				d.Table(table)
			})
		}
		pages := strings.Split(strings.TrimSuffix(printingtest.Text(t, must(d.PDF())), "\f"), "\f")
		for block := range 9 {
			first, last := fmt.Sprintf("Block %d begins", block), fmt.Sprintf("row %d of block %d", rows, block)
			for _, page := range pages {
				if strings.Contains(page, first) && strings.Contains(page, last) != (rows < 60) {
					t.Errorf("of %d rows, block %d is parted: %t", rows, block, rows < 60)
				}
			}
		}
		if most := map[int]int{1: 1, 12: 5, 25: 9, 60: 18}[rows]; len(pages) > most {
			t.Errorf("9 blocks of %d rows take %d pages, more than %d", rows, len(pages), most)
		}
	}
}
