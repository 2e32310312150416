package printing

import (
	"fmt"
	"image"
	"strings"
)

// Distances of a document in millimetres, and its text sizes in points.
const (
	margin    = 18.0
	headRoom  = 12.0 // from the margin to the body, for the running title
	footRoom  = 10.0
	bodySize  = 9.5
	smallSize = 7.5
)

// Document flows headings, text, tables and boxes down pages. Every page carries the title on top, and at the foot the
// page number of how many, the document's number, its hash and its notice.
type Document struct {
	canvas *Canvas
	y      float64 // the top of what comes next
	trial  *Document
}

// NewDocument begins a document on pages of a size.
func NewDocument(meta Meta, size Size) *Document {
	return &Document{canvas: NewCanvas(meta, size), y: margin + headRoom}
}

// Width is the width of the body in millimetres.
func (d *Document) Width() float64 { return d.canvas.size.Width - 2*margin }

func (d *Document) bottom() float64 { return d.canvas.size.Height - margin - footRoom }

func (d *Document) room() float64 { return d.bottom() - d.y }

// Keep begins a new page unless so many millimetres are left, to keep together what follows.
func (d *Document) Keep(height float64) {
	if d.room() < height && d.y > margin+headRoom {
		d.NewPage()
	}
}

// Together draws something on one page: on this one if it fits, else on the next. What is higher than a page begins here and is parted.
func (d *Document) Together(draw func(d *Document)) {
	if d.trial == nil {
		d.trial = NewDocument(d.canvas.meta, d.canvas.size)
	}
	t, top := d.trial, margin+headRoom
	t.y = top
	pages := t.canvas.Pages()
	if draw(t); t.canvas.Pages() == pages {
		d.Keep(t.y - top)
	}
	draw(d)
}

// NewPage begins a new page.
func (d *Document) NewPage() {
	d.canvas.AddPage()
	d.y = margin + headRoom
}

// Space leaves so many millimetres free.
func (d *Document) Space(height float64) { d.y += height }

// Heading writes a heading of level 1, 2 or 3 and keeps it with the text below.
func (d *Document) Heading(level int, text string) {
	style := Style{Size: 16 - 2.5*float64(min(max(level, 1), 3)-1), Bold: true}
	lines := d.canvas.Wrap(style, d.Width(), text)
	d.Keep(float64(len(lines))*style.LineHeight() + 14)
	d.Space(2)
	d.write(margin, style, lines)
	d.Space(1)
}

// Paragraph writes text; a line break in it begins a new line.
func (d *Document) Paragraph(text string) {
	style := Style{Size: bodySize}
	d.write(margin, style, d.canvas.Wrap(style, d.Width(), text))
	d.Space(1.5)
}

// write puts lines below each other from an x, with page breaks.
func (d *Document) write(x float64, style Style, lines []string) {
	for _, line := range lines {
		d.Keep(style.LineHeight())
		d.canvas.Text(x, d.y+style.Size*mmPerPoint, style, line)
		d.y += style.LineHeight()
	}
}

// Caution writes a warning in a heavy frame under a title in white on black, such as WARNING. It is never parted.
func (d *Document) Caution(title, text string) {
	style, head := Style{Size: bodySize, Bold: true}, Style{Size: bodySize, Bold: true, White: true}
	const pad = 2.0
	lines := d.canvas.Wrap(style, d.Width()-2*pad, text)
	bar := head.LineHeight() + 1
	height := bar + float64(len(lines))*style.LineHeight() + 2*pad
	d.Keep(height + 2)
	d.Space(1)
	d.canvas.Fill(margin, d.y, d.Width(), bar, 0)
	d.canvas.Text(margin+pad, d.y+head.Size*mmPerPoint+0.4, head, strings.ToUpper(title))
	d.canvas.Box(margin, d.y, d.Width(), height, 0.6)
	top := d.y
	d.y += bar + pad/2
	for _, line := range lines {
		d.canvas.Text(margin+pad, d.y+style.Size*mmPerPoint, style, line)
		d.y += style.LineHeight()
	}
	d.y = top + height + 2
}

// Tick writes a line with a box in front, crossed when ticked, else to be ticked by hand.
func (d *Document) Tick(text string, ticked bool) {
	style := Style{Size: bodySize}
	lines := d.canvas.Wrap(style, d.Width()-7, text)
	d.Keep(style.LineHeight())
	d.canvas.TickBox(margin, d.y+0.3, 3.6, ticked)
	d.write(margin+7, style, lines)
	d.Space(1.2)
}

// WriteIn writes a label and an empty box of a height behind it, to be filled in by hand.
func (d *Document) WriteIn(label string, height float64) {
	style := Style{Size: bodySize}
	d.Keep(height + 2)
	d.canvas.Text(margin, d.y+height/2+style.Size*mmPerPoint/2, style, label)
	x := margin + max(d.canvas.Width(style, label)+3, d.Width()/4)
	d.canvas.Box(x, d.y, margin+d.Width()-x, height, 0.25)
	d.y += height + 2
}

// Symbol draws a bar code of a side in millimetres, with a caption beside it.
func (d *Document) Symbol(side float64, symbol Symbol, caption string) {
	d.Keep(side)
	d.canvas.Symbol(margin, d.y, side, symbol)
	style := Style{Size: bodySize}
	y := d.y + side/2
	for _, line := range d.canvas.Wrap(style, d.Width()-side-3, caption) {
		d.canvas.Text(margin+side+3, y, style, line)
		y += style.LineHeight()
	}
	d.y += side + 1.5
}

// Image draws a picture of a width in millimetres, made smaller where the page is not high enough for it.
func (d *Document) Image(width float64, img image.Image) {
	proportion := float64(img.Bounds().Dy()) / float64(img.Bounds().Dx())
	width = min(width, d.Width(), (d.bottom()-margin-headRoom)/proportion)
	d.Keep(width * proportion)
	d.y += d.canvas.Image(margin, d.y, width, img) + 1.5
}

// PDF ends the document and returns the file.
func (d *Document) PDF() ([]byte, error) {
	total := d.canvas.Pages()
	for page := 1; page <= total; page++ {
		d.canvas.pdf.SetPage(page)
		d.frame(page, total)
	}
	return d.canvas.PDF()
}

// frame draws the running title and the foot of a page.
func (d *Document) frame(page, total int) {
	c, m, small := d.canvas, d.canvas.meta, Style{Size: smallSize}
	right := margin + d.Width()
	c.TextIn(margin, margin+3, d.Width(), Left, Style{Size: smallSize, Bold: true}, m.Title)
	c.TextIn(margin, margin+3, d.Width(), Right, small, m.Number)
	c.Line(margin, margin+5, right, margin+5, 0.2)
	foot := c.size.Height - margin
	c.Line(margin, foot-4, right, foot-4, 0.2)
	c.TextIn(margin, foot, d.Width(), Left, small, joined(m.Number, hashText(m.Hash)))
	c.TextIn(margin, foot, d.Width(), Centre, Style{Size: smallSize, Bold: true}, m.Notice)
	c.TextIn(margin, foot, d.Width(), Right, small, fmt.Sprintf("Page %d of %d", page, total))
}

func hashText(hash string) string {
	if hash == "" {
		return ""
	}
	return "SHA-256 " + hash
}

// joined puts the parts that are there behind each other.
func joined(parts ...string) string {
	var there []string
	for _, p := range parts {
		if p != "" {
			there = append(there, p)
		}
	}
	return strings.Join(there, " · ")
}
