package chart

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"strconv"
	"strings"
	"sync"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

type xy struct{ x, y float64 }

// canvas is what a chart is drawn on.
type canvas interface {
	line(class string, path []xy, colour string, thick float64, dashed bool)
	area(class string, path []xy, colour string)
	dot(at xy, filled bool)
	text(x, y float64, anchor string, size float64, bold bool, colour, words string)
}

const radius = 2.6

// Drawing is something to draw.
type Drawing interface {
	// Words are what it shows, for those who can't see it.
	Words() string

	title() string
	draw(on func(height float64) canvas)
}

// SVG draws as SVG 1.1 with title and description.
func SVG(d Drawing) []byte {
	var out *svg
	d.draw(func(height float64) canvas {
		out = &svg{}
		fmt.Fprintf(&out.Buffer, `<svg xmlns="http://www.w3.org/2000/svg" width="%g" height="%g" viewBox="0 0 %g %g" role="img" aria-labelledby="t d" `+
			`font-family="Go, Liberation Sans, Arial, sans-serif"><title id="t">%s</title><desc id="d">%s</desc><rect width="100%%" height="100%%" fill="#ffffff"/>`+"\n",
			width, height, width, height, escaped(d.title()), escaped(d.Words()))
		return out
	})
	out.Buffer.WriteString("</svg>\n")
	return out.Bytes()
}

type svg struct{ bytes.Buffer }

func escaped(s string) string {
	var out strings.Builder
	_ = xml.EscapeText(&out, []byte(s)) // a Builder takes everything
	return out.String()
}

func pathOf(path []xy) string {
	parts := make([]string, len(path))
	for i, p := range path {
		parts[i] = strconv.FormatFloat(p.x, 'f', 1, 64) + "," + strconv.FormatFloat(p.y, 'f', 1, 64)
	}
	return strings.Join(parts, " ")
}

func (s *svg) line(class string, path []xy, colour string, thick float64, dashed bool) {
	dash := ""
	if dashed {
		dash = ` stroke-dasharray="4 3"`
	}
	fmt.Fprintf(&s.Buffer, `<polyline class="%s" points="%s" fill="none" stroke="%s" stroke-width="%g"%s/>`+"\n", class, pathOf(path), colour, thick, dash)
}

func (s *svg) area(class string, path []xy, colour string) {
	fmt.Fprintf(&s.Buffer, `<polygon class="%s" points="%s" fill="%s"/>`+"\n", class, pathOf(path), colour)
}

func (s *svg) dot(at xy, filled bool) {
	class, fill := "unused", "#ffffff"
	if filled {
		class, fill = "used", black
	}
	fmt.Fprintf(&s.Buffer, `<circle class="%s" cx="%.1f" cy="%.1f" r="%g" fill="%s" stroke="%s"/>`+"\n", class, at.x, at.y, radius, fill, black)
}

func (s *svg) text(x, y float64, anchor string, size float64, bold bool, colour, words string) {
	weight := ""
	if bold {
		weight = ` font-weight="bold"`
	}
	fmt.Fprintf(&s.Buffer, `<text x="%.1f" y="%.1f" text-anchor="%s" font-size="%g"%s fill="%s">%s</text>`+"\n", x, y, anchor, size, weight, colour, escaped(words))
}

// dots is how many pixels a pixel of the layout has: 144 to the inch.
const dots = 1.5

// PNG draws the same as a picture.
func PNG(d Drawing) ([]byte, error) {
	var out *picture
	d.draw(func(height float64) canvas {
		out = &picture{image.NewRGBA(image.Rect(0, 0, int(width*dots), int(math.Ceil(height*dots))))}
		for i := range out.img.Pix {
			out.img.Pix[i] = 0xff
		}
		return out
	})
	var file bytes.Buffer
	err := png.Encode(&file, out.img)
	return file.Bytes(), err
}

type picture struct{ img *image.RGBA }

func colourOf(hex string) color.RGBA {
	v, _ := strconv.ParseUint(strings.TrimPrefix(hex, "#"), 16, 32) // the colours are constants
	return color.RGBA{uint8(v >> 16), uint8(v >> 8), uint8(v), 0xff}
}

// fill fills polygons; it rasters only the box that they lie in.
func (p *picture) fill(colour string, shapes ...[]xy) {
	low, high := xy{math.Inf(1), math.Inf(1)}, xy{math.Inf(-1), math.Inf(-1)}
	for _, shape := range shapes {
		for _, at := range shape {
			low, high = xy{min(low.x, at.x), min(low.y, at.y)}, xy{max(high.x, at.x), max(high.y, at.y)}
		}
	}
	x0, y0 := math.Floor(low.x*dots)-1, math.Floor(low.y*dots)-1
	r := vector.NewRasterizer(int(high.x*dots-x0)+2, int(high.y*dots-y0)+2)
	for _, shape := range shapes {
		for i, at := range shape {
			x, y := float32(at.x*dots-x0), float32(at.y*dots-y0)
			if i == 0 {
				r.MoveTo(x, y)
			} else {
				r.LineTo(x, y)
			}
		}
		r.ClosePath()
	}
	r.Draw(p.img, image.Rect(int(x0), int(y0), int(x0)+r.Size().X, int(y0)+r.Size().Y), image.NewUniform(colourOf(colour)), image.Point{})
}

func (p *picture) line(_ string, path []xy, colour string, thick float64, dashed bool) {
	for i := 1; i < len(path); i++ {
		a, b := path[i-1], path[i]
		length := math.Hypot(b.x-a.x, b.y-a.y)
		if length == 0 {
			continue
		}
		dash, pause := length, 0.0
		if dashed {
			dash, pause = 4, 3
		}
		for at := 0.0; at < length; at += dash + pause {
			p.fill(colour, stroke(a, b, at/length, min(at+dash, length)/length, thick/length/2))
		}
	}
}

// stroke is a piece of the line from a to b as a rectangle; half is half its thickness over the line's length.
func stroke(a, b xy, from, to, half float64) []xy {
	dx, dy := b.x-a.x, b.y-a.y
	corner := func(along, side float64) xy { return xy{a.x + dx*along - dy*side, a.y + dy*along + dx*side} }
	return []xy{corner(from, half), corner(to, half), corner(to, -half), corner(from, -half)}
}

func (p *picture) area(_ string, path []xy, colour string) { p.fill(colour, path) }

func (p *picture) dot(at xy, filled bool) {
	p.fill(black, round(at, radius+0.5))
	if !filled {
		p.fill("#ffffff", round(at, radius-0.5))
	}
}

func round(at xy, r float64) []xy {
	shape := make([]xy, 24)
	for i := range shape {
		sin, cos := math.Sincos(float64(i) / 24 * 2 * math.Pi)
		shape[i] = xy{at.x + r*cos, at.y + r*sin}
	}
	return shape
}

func (p *picture) text(x, y float64, anchor string, size float64, bold bool, colour, words string) {
	switch anchor {
	case "middle":
		x -= widthOf(words, size, bold) / 2
	case "end":
		x -= widthOf(words, size, bold)
	}
	d := font.Drawer{Dst: p.img, Src: image.NewUniform(colourOf(colour)), Face: face(size*dots, bold),
		Dot: fixed.Point26_6{X: fixed.Int26_6(x * dots * 64), Y: fixed.Int26_6(y * dots * 64)}}
	drawing.Lock()
	defer drawing.Unlock()
	d.DrawString(words)
}

// drawing guards the faces, which keep the glyph that they drew last.
var drawing sync.Mutex

type faceKey struct {
	size float64
	bold bool
}

var (
	faces    sync.Map // of font.Face by faceKey
	typeface = map[bool][]byte{false: goregular.TTF, true: gobold.TTF}
)

func face(size float64, bold bool) font.Face {
	key := faceKey{size, bold}
	if kept, ok := faces.Load(key); ok {
		if f, ok := kept.(font.Face); ok {
			return f
		}
	}
	parsed, err := opentype.Parse(typeface[bold])
	if err != nil {
		panic(fmt.Sprintf("chart: %v", err)) // the typeface is compiled in
	}
	f, err := opentype.NewFace(parsed, &opentype.FaceOptions{Size: size, DPI: 72})
	if err != nil {
		panic(fmt.Sprintf("chart: %v", err))
	}
	faces.Store(key, f)
	return f
}

// widthOf is how wide a text is.
func widthOf(words string, size float64, bold bool) float64 {
	drawing.Lock()
	defer drawing.Unlock()
	return float64(font.MeasureString(face(size*dots, bold), words)) / 64 / dots
}
