// Package printing makes PDF documents and labels that a printer shows as they were meant: pages of an exact size,
// embedded fonts, bar codes as vector rectangles, and the same bytes for the same content.
//
// Files are built to PDF/A-2b (ISO 19005-2, level B): embedded fonts, XMP metadata that says so, an sRGB output intent, a
// file identifier, no encryption, no scripts. The tests check these marks and the structure; no validator of the whole
// standard has been run on them.
//
// Canvas places things at millimetres from the top left corner, for labels. Document flows text, tables and boxes down
// pages of a size, for records.
package printing

import (
	"bytes"
	"errors"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"strconv"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"
)

// Size is the size of a page in millimetres.
type Size struct{ Width, Height float64 }

// A4 is the paper size of ISO 216, Letter that of ANSI/ASME Y14.1 (8.5 by 11 inches).
var (
	A4     = Size{Width: 210, Height: 297}
	Letter = Size{Width: 215.9, Height: 279.4}
)

// Meta says what a document is.
type Meta struct {
	Title   string
	Subject string
	Author  string    // the organisation or program that answers for it
	Number  string    // the document's number; in the footer of every page
	Hash    string    // a short hash of what the document shows; in the footer of every page
	Notice  string    // such as "demonstration only"; in the footer of every page
	Created time.Time // required: it is the caller's clock that counts, and the same time gives the same bytes
}

// Align says where a text lies in its width.
type Align int

// The alignments.
const (
	Left Align = iota
	Centre
	Right
)

// Style is how text looks; its size is in points.
type Style struct {
	Size  float64
	Bold  bool
	Mono  bool
	White bool // white text, for black grounds
}

// mmPerPoint: one point is 1/72 inch.
const mmPerPoint = 25.4 / 72

// LineHeight is the distance of two lines of the style, in millimetres.
func (s Style) LineHeight() float64 { return s.Size * 1.25 * mmPerPoint }

// Canvas is a document whose parts are placed by hand, in millimetres from the top left corner of the page.
type Canvas struct {
	pdf    *fpdf.Fpdf
	meta   Meta
	size   Size
	images int
}

// NewCanvas begins a document with one page of the given size.
func NewCanvas(meta Meta, size Size) *Canvas {
	pdf := fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "mm", Size: fpdf.SizeType{Wd: size.Width, Ht: size.Height}})
	pdf.SetMargins(0, 0, 0)
	pdf.SetCellMargin(0)
	pdf.SetAutoPageBreak(false, 0)
	c := &Canvas{pdf: pdf, meta: meta, size: size}
	if meta.Created.IsZero() {
		pdf.SetError(errors.New("printing: a document needs the time at which it was made"))
	}
	addFonts(pdf)
	c.markAsArchive()
	c.AddPage()
	return c
}

// AddPage begins another page; what follows lies on it.
func (c *Canvas) AddPage() {
	c.pdf.AddPage()
	c.pdf.SetDrawColor(0, 0, 0)
	c.pdf.SetFillColor(0, 0, 0)
}

// Pages is how many pages there are so far.
func (c *Canvas) Pages() int { return c.pdf.PageCount() }

// Text writes one line; x and y are the left end of its baseline. Characters that the fonts lack appear as [U+0000].
func (c *Canvas) Text(x, y float64, s Style, text string) {
	c.use(s)
	c.pdf.Text(x, y, printable(text))
}

// TextIn writes one line into a width, aligned; y is its baseline.
func (c *Canvas) TextIn(x, y, width float64, align Align, s Style, text string) {
	free := width - c.Width(s, text)
	switch align {
	case Left:
	case Centre:
		x += free / 2
	case Right:
		x += free
	}
	c.Text(x, y, s, text)
}

func (c *Canvas) use(s Style) {
	family, style := "go", ""
	if s.Mono {
		family = "gomono"
	}
	if s.Bold {
		style = "B"
	}
	c.pdf.SetFont(family, style, s.Size)
	ground := 0
	if s.White {
		ground = 255
	}
	c.pdf.SetTextColor(ground, ground, ground)
}

// Width is how wide a line of text is, in millimetres.
func (c *Canvas) Width(s Style, text string) float64 {
	c.use(s)
	return c.pdf.GetStringWidth(printable(text))
}

// Wrap breaks text into lines of at most a width, at spaces where it can.
func (c *Canvas) Wrap(s Style, width float64, text string) []string {
	var lines []string
	for paragraph := range strings.SplitSeq(strings.TrimRight(text, "\n"), "\n") {
		line := ""
		for word := range strings.FieldsSeq(paragraph) {
			if line != "" && c.Width(s, line+" "+word) <= width {
				line += " " + word
				continue
			}
			if line != "" {
				lines = append(lines, line)
			}
			var whole []string
			whole, line = c.breakWord(s, width, word)
			lines = append(lines, whole...)
		}
		lines = append(lines, line)
	}
	return lines
}

// breakWord cuts a word that is wider than a line into full lines and a rest.
func (c *Canvas) breakWord(s Style, width float64, word string) (full []string, rest string) {
	for _, r := range word {
		if rest != "" && c.Width(s, rest+string(r)) > width {
			full = append(full, rest)
			rest = ""
		}
		rest += string(r)
	}
	return full, rest
}

// Line draws a line of a thickness in millimetres.
func (c *Canvas) Line(x1, y1, x2, y2, thickness float64) {
	c.pdf.SetLineWidth(thickness)
	c.pdf.Line(x1, y1, x2, y2)
}

// Box draws the outline of a rectangle; an empty one is to be filled in by hand.
func (c *Canvas) Box(x, y, width, height, thickness float64) {
	c.pdf.SetLineWidth(thickness)
	c.pdf.Rect(x, y, width, height, "D")
}

// Fill paints a rectangle in a grey, 0 black to 255 white.
func (c *Canvas) Fill(x, y, width, height float64, grey int) {
	c.pdf.SetFillColor(grey, grey, grey)
	c.pdf.Rect(x, y, width, height, "F")
	c.pdf.SetFillColor(0, 0, 0)
}

// Point is a place on a page, in millimetres from its top left corner.
type Point struct{ X, Y float64 }

// Polygon paints a closed shape in an opaque colour.
func (c *Canvas) Polygon(ink color.RGBA, points []Point) {
	corners := make([]fpdf.PointType, len(points))
	for i, p := range points {
		corners[i] = fpdf.PointType{X: p.X, Y: p.Y}
	}
	c.pdf.SetFillColor(int(ink.R), int(ink.G), int(ink.B))
	c.pdf.Polygon(corners, "F")
	c.pdf.SetFillColor(0, 0, 0)
}

// TickBox draws a box, with a cross in it when ticked.
func (c *Canvas) TickBox(x, y, side float64, ticked bool) {
	c.Box(x, y, side, side, 0.25)
	if ticked {
		c.Line(x, y, x+side, y+side, 0.4)
		c.Line(x, y+side, x+side, y, 0.4)
	}
}

// Symbol draws a bar code with its quiet zone into a square of a side; its modules are one path, so that no renderer
// leaves gaps between them.
func (c *Canvas) Symbol(x, y, side float64, symbol Symbol) {
	points := 1 / mmPerPoint
	module := side / float64(symbol.Modules())
	var path strings.Builder
	for _, run := range symbol.runs() {
		for _, v := range []float64{x + run.x*module, c.size.Height - y - (run.y+1)*module, run.length * module, module} {
			path.WriteString(strconv.FormatFloat(v*points, 'f', 3, 64) + " ")
		}
		path.WriteString("re\n")
	}
	c.pdf.SetFillColor(0, 0, 0)
	c.pdf.RawWriteStr(path.String() + "f")
}

// Image draws a picture on white, as wide as given; its height in millimetres is returned.
func (c *Canvas) Image(x, y, width float64, img image.Image) float64 {
	flat := image.NewRGBA(img.Bounds())
	draw.Draw(flat, flat.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src)
	draw.Draw(flat, flat.Bounds(), img, img.Bounds().Min, draw.Over)
	var file bytes.Buffer
	if err := png.Encode(&file, flat); err != nil {
		c.pdf.SetError(err)
		return 0
	}
	c.images++
	name := "image" + strconv.Itoa(c.images)
	options := fpdf.ImageOptions{ImageType: "png"}
	c.pdf.RegisterImageOptionsReader(name, options, &file)
	height := width * float64(flat.Bounds().Dy()) / float64(flat.Bounds().Dx())
	c.pdf.ImageOptions(name, x, y, width, height, false, options, 0, "")
	return height
}

// PDF ends the document and returns the file. The first error of any step is returned here.
func (c *Canvas) PDF() ([]byte, error) {
	var file bytes.Buffer
	if err := c.pdf.Output(&file); err != nil {
		return nil, err
	}
	return identify(file.Bytes())
}
