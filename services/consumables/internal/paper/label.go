// Package paper draws the stock service's paper: labels of exactly the medium's size.
package paper

import (
	"errors"
	"image/color"
	"math"
	"strings"

	"coldsection.example/services/consumables/internal/ghs"
	"coldsection.example/services/consumables/internal/label"
	"coldsection.example/services/platform/printing"
)

// ErrTooSmall says that the medium has no room for all that the label must say.
var ErrTooSmall = errors.New("paper: the label has no room for all that it must say")

// Distances in millimetres, and sizes of text in points. The least size gives letters that are 1.2 mm high without ascenders,
// which EU law asks of the smallest labels of hazardous goods (CLP 1272/2008, annex I, table 1.3; from memory).
const (
	edge      = 1.5
	gap       = 2.0
	leastSize = 6.5
	mostSize  = 12.0
	sizeStep  = 0.25
)

// lineHeight is narrower than that of a document: labels are small, and their lines short.
func lineHeight(s printing.Style) float64 { return s.LineHeight() * 0.92 }

// Codes are the two symbols of a label and the text below the first.
type Codes struct {
	DataMatrix, QR printing.Symbol
	Text           string
}

// frame is where the parts of a label lie.
type frame struct {
	side       float64 // of each symbol
	x, width   float64 // of the text
	caption    printing.Style
	symbolsTop [2]float64
	picture    float64 // the width of a pictogram, corner to corner; 0 without any
	column     int     // how many pictograms stand in one column at the right
	cut        bool    // whether words that are wider than the text may be cut
}

func frameOf(m label.Medium, pictograms int, picture float64) frame {
	f := frame{caption: printing.Style{Size: 5, Mono: true}}
	f.side = min((m.Height-2*edge-lineHeight(f.caption))/2, m.Width*0.28)
	f.symbolsTop = [2]float64{edge, m.Height - edge - f.side}
	f.x = edge + f.side + gap
	f.width = m.Width - f.x - edge
	if pictograms == 0 {
		return f
	}
	f.picture, f.column = picture, max(1, int((m.Height-2*edge)/(picture+lineHeight(f.caption))))
	f.width -= float64((pictograms+f.column-1)/f.column)*picture + gap/2
	return f
}

// Pictograms are at least one square centimetre, and where there is room a fifteenth of the label, or 23 mm by 23 mm as on canisters
// (CLP 1272/2008, annex I, 1.2.1.2 and table 1.3; from memory); the widths are from corner to corner.
var leastPicture, mostPicture = 10.05 * math.Sqrt2, 23 * math.Sqrt2

// goodSize is the text size that is not given up for larger pictograms.
const goodSize = 8.0

// layout finds the largest pictograms, and then the largest text, with which everything has room.
func layout(canvas *printing.Canvas, m label.Medium, c label.Content, cut bool) (f frame, size float64, ok bool) {
	picture := min(mostPicture, max(leastPicture, math.Sqrt(m.Width*m.Height/15)*math.Sqrt2))
	for ; picture > leastPicture; picture-- {
		f = frameOf(m, len(c.Pictograms), picture)
		f.cut = cut
		if size, ok = fit(canvas, f, m, c); ok && size >= goodSize {
			return f, size, true
		}
	}
	f = frameOf(m, len(c.Pictograms), leastPicture)
	f.cut = cut
	size, ok = fit(canvas, f, m, c)
	return f, size, ok
}

// drawPictograms draws them in columns at the right, each with its code below.
func drawPictograms(canvas *printing.Canvas, m label.Medium, f frame, codes []string) {
	for i, code := range codes {
		x := m.Width - edge - f.picture*float64(i/f.column+1)
		y := edge + float64(i%f.column)*(f.picture+lineHeight(f.caption))
		for _, shape := range ghs.Pictogram(code) {
			points := make([]printing.Point, len(shape.Points))
			for k, p := range shape.Points {
				points[k] = printing.Point{X: x + p.X*f.picture/100, Y: y + p.Y*f.picture/100}
			}
			canvas.Polygon(inks[shape.Ink], points)
		}
		canvas.TextIn(x, y+f.picture+lineHeight(f.caption)*0.8, f.picture, printing.Centre, f.caption, code)
	}
}

var inks = map[ghs.Ink]color.RGBA{ghs.Black: {A: 255}, ghs.White: {255, 255, 255, 255}, ghs.Red: {218, 41, 28, 255}}

// Label draws a label so many times, each on a page of its own. The text is as large as there is room; ErrTooSmall when even
// the least size has none. Beside pictograms no word is cut unless that is allowed.
func Label(meta printing.Meta, m label.Medium, c label.Content, codes Codes, count int, cut bool) ([]byte, error) {
	canvas := printing.NewCanvas(meta, printing.Size{Width: m.Width, Height: m.Height})
	f, body, ok := layout(canvas, m, c, cut)
	if !ok {
		return nil, ErrTooSmall
	}
	for n := range max(count, 1) {
		if n > 0 {
			canvas.AddPage()
		}
		canvas.Symbol(edge, f.symbolsTop[0], f.side, codes.DataMatrix)
		canvas.TextIn(edge, f.symbolsTop[0]+f.side+lineHeight(f.caption)*0.8, f.side, printing.Centre, shrink(canvas, f.caption, f.side, codes.Text), codes.Text)
		canvas.Symbol(edge, f.symbolsTop[1], f.side, codes.QR)
		drawText(canvas, f, c, body)
		drawPictograms(canvas, m, f, c.Pictograms)
	}
	return canvas.PDF()
}

// shrink makes a style small enough for one line of a width.
func shrink(canvas *printing.Canvas, s printing.Style, width float64, text string) printing.Style {
	if wide := canvas.Width(s, text); wide > width {
		s.Size *= width / wide
	}
	return s
}

// fit finds the largest text size at which everything has room.
func fit(canvas *printing.Canvas, f frame, m label.Medium, c label.Content) (size float64, ok bool) {
	for size = mostSize; size >= leastSize; size -= sizeStep {
		if height(canvas, f, c, size) <= m.Height-2*edge {
			return size, true
		}
	}
	return 0, false
}

func headStyle(size float64) printing.Style { return printing.Style{Size: size + 2, Bold: true} }

func codeStyle(size float64) printing.Style {
	return printing.Style{Size: size + 4, Bold: true, Mono: true}
}

// top is the row of the short code with the headline: beside it where it has room on one line, else below it.
type top struct {
	code, head printing.Style
	beside     bool
	x, width   float64 // of the headline
	bar        float64 // the height of the headline
	height     float64
}

func topOf(canvas *printing.Canvas, f frame, c label.Content, size float64) (top, bool) {
	t := top{code: codeStyle(size), head: headStyle(size), x: f.x, width: f.width}
	t.bar = lineHeight(t.head) + 0.6
	codeWidth, headWidth := canvas.Width(t.code, c.Code)+gap, canvas.Width(t.head, c.Headline)+gap
	if t.beside = codeWidth+headWidth <= f.width; t.beside {
		t.x, t.width = f.x+codeWidth, f.width-codeWidth
		t.height = max(t.bar, lineHeight(t.code))
		return t, true
	}
	t.height = t.bar + lineHeight(t.code)
	return t, headWidth <= f.width
}

func height(canvas *printing.Canvas, f frame, c label.Content, size float64) float64 {
	t, ok := topOf(canvas, f, c, size)
	if !ok {
		return 1e9 // the headline has no room on one line
	}
	total := t.height
	for _, line := range c.Lines {
		style := printing.Style{Size: size, Bold: line.Bold}
		if f.column > 0 && !f.cut && broken(canvas, style, f.width, line.Text) {
			return 1e9 // pictograms leave too narrow a column
		}
		total += float64(len(canvas.Wrap(style, f.width, line.Text))) * lineHeight(style)
	}
	return total
}

// broken reports whether a word of a text has no room on a line.
func broken(canvas *printing.Canvas, s printing.Style, width float64, text string) bool {
	for word := range strings.FieldsSeq(text) {
		if canvas.Width(s, word) > width {
			return true
		}
	}
	return false
}

func drawText(canvas *printing.Canvas, f frame, c label.Content, size float64) {
	t, _ := topOf(canvas, f, c, size)
	y := edge
	canvas.Text(f.x, y+lineHeight(t.code)*0.78, t.code, c.Code)
	if !t.beside {
		y += lineHeight(t.code)
	}
	if t.head.White = c.Stop; c.Stop {
		canvas.Fill(t.x, y, t.width, t.bar, 0)
	} else {
		canvas.Box(t.x, y, t.width, t.bar, 0.3)
	}
	canvas.TextIn(t.x, y+t.bar-lineHeight(t.head)*0.28-0.2, t.width, printing.Centre, t.head, c.Headline)
	y = edge + t.height
	for _, line := range c.Lines {
		style := printing.Style{Size: size, Bold: line.Bold}
		for _, text := range canvas.Wrap(style, f.width, line.Text) {
			canvas.Text(f.x, y+lineHeight(style)*0.75, style, text)
			y += lineHeight(style)
		}
	}
}
