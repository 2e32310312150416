package ghs

import "math"

// Ink is the colour of a shape.
type Ink int

// The colours of a pictogram.
const (
	Black Ink = iota
	White
	Red
)

// Point is a place in a square of 100 by 100 from its upper left corner.
type Point struct{ X, Y float64 }

// Shape is a filled polygon; later ones lie on earlier ones.
type Shape struct {
	Ink    Ink
	Points []Point
}

// Pictogram is the drawing of a code, GHS01 to GHS09: a square set on a point with a red frame and a black symbol on white (UN GHS
// 1.4.10.4.2 and annex 1). The symbols are drawn here, plainly, for these words; nil for any other code.
func Pictogram(code string) []Shape {
	symbol, known := symbols[code]
	if !known {
		return nil
	}
	frame := []Shape{{Red, diamond(50)}, {White, diamond(43)}}
	return append(frame, symbol()...)
}

func diamond(r float64) []Point {
	return []Point{{50, 50 - r}, {50 + r, 50}, {50, 50 + r}, {50 - r, 50}}
}

var symbols = map[string]func() []Shape{
	"GHS01": bomb, "GHS02": flame, "GHS03": oxidizer, "GHS04": cylinder, "GHS05": corrosion, "GHS06": skull, "GHS07": exclamation, "GHS08": health, "GHS09": environment,
}

func black(points ...Point) Shape { return Shape{Black, points} }
func white(points ...Point) Shape { return Shape{White, points} }

// disc is an ellipse of 40 corners.
func disc(ink Ink, x, y, rx, ry float64) Shape {
	s := Shape{Ink: ink}
	for i := range 40 {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / 40)
		s.Points = append(s.Points, Point{x + rx*cos, y + ry*sin})
	}
	return s
}

// bar is a line of a thickness.
func bar(ink Ink, x1, y1, x2, y2, thick float64) Shape {
	length := math.Hypot(x2-x1, y2-y1)
	dx, dy := (y1-y2)/length*thick/2, (x2-x1)/length*thick/2
	return Shape{ink, []Point{{x1 + dx, y1 + dy}, {x2 + dx, y2 + dy}, {x2 - dx, y2 - dy}, {x1 - dx, y1 - dy}}}
}

// burst is a star.
func burst(x, y, outer, inner float64, rays int) Shape {
	s := Shape{Ink: Black}
	for i := range 2 * rays {
		r := outer
		if i%2 == 1 {
			r = inner
		}
		sin, cos := math.Sincos(math.Pi * float64(i) / float64(rays))
		s.Points = append(s.Points, Point{x + r*sin, y - r*cos})
	}
	return s
}

func bomb() []Shape {
	return []Shape{
		burst(53, 40, 20, 9, 9), disc(White, 46, 60, 14, 14), disc(Black, 46, 60, 12.5, 12.5), bar(Black, 52, 50, 57, 42, 5),
		bar(Black, 64, 56, 72, 59, 3), bar(Black, 62, 63, 68, 69, 3), bar(Black, 26, 46, 33, 49, 3),
	}
}

// fire is a flame on its lowest point, so many times as large.
func fire(x, y, scale float64) []Shape {
	outer := []Point{{0, -44}, {4, -33}, {10, -26}, {13, -31}, {17, -20}, {17, -10}, {11, -2}, {3, 0}, {-6, 0}, {-14, -4}, {-17, -13}, {-14, -21}, {-9, -18}, {-8, -27}, {-3, -35}}
	inner := []Point{{1, -21}, {5, -14}, {8, -15}, {8, -8}, {4, -3}, {-3, -2}, {-8, -6}, {-7, -12}, {-3, -11}}
	place := func(ink Ink, points []Point) Shape {
		s := Shape{Ink: ink}
		for _, p := range points {
			s.Points = append(s.Points, Point{x + p.X*scale, y + p.Y*scale})
		}
		return s
	}
	return []Shape{place(Black, outer), place(White, inner)}
}

func flame() []Shape { return append(fire(50, 65, 0.95), bar(Black, 32, 70, 68, 70, 4)) }

func oxidizer() []Shape {
	return append(fire(50, 49, 0.72), disc(Black, 50, 60, 11, 11), disc(White, 50, 60, 7, 7), bar(Black, 35, 74, 65, 74, 3.5))
}

func cylinder() []Shape {
	return []Shape{
		bar(Black, 30, 60, 60, 44, 15), disc(Black, 30, 60, 7.5, 7.5), disc(Black, 60, 44, 7.5, 7.5), bar(Black, 62, 43, 72, 37.5, 6),
	}
}

func corrosion() []Shape {
	return []Shape{
		bar(Black, 26, 42, 44, 33, 7), bar(White, 28, 41, 42, 34, 3), bar(Black, 56, 33, 74, 42, 7), bar(White, 58, 34, 72, 41, 3),
		disc(Black, 45, 41, 1.8, 3), disc(Black, 43, 49, 1.8, 3), disc(Black, 55, 41, 1.8, 3), disc(Black, 58, 49, 1.8, 3),
		black(Point{26, 58}, Point{46, 58}, Point{46, 66}, Point{33, 66}), white(Point{36, 57.5}, Point{44, 57.5}, Point{40, 63}),
		black(Point{53, 57}, Point{72, 57}, Point{74, 60}, Point{68, 66}, Point{53, 66}), white(Point{56, 56.5}, Point{64, 56.5}, Point{60, 62}),
	}
}

func skull() []Shape {
	return []Shape{
		bar(Black, 31, 62, 67, 71, 5), bar(Black, 33, 71, 69, 62, 5), disc(White, 50, 48, 18, 19), disc(Black, 50, 40, 16, 15),
		black(Point{41, 50}, Point{59, 50}, Point{57, 62}, Point{43, 62}), disc(White, 44, 41, 4, 4.5), disc(White, 56, 41, 4, 4.5),
		white(Point{50, 46}, Point{52.5, 51}, Point{47.5, 51}), bar(White, 47, 56, 47, 62, 1.2), bar(White, 50, 56, 50, 62, 1.2), bar(White, 53, 56, 53, 62, 1.2),
	}
}

func exclamation() []Shape {
	return []Shape{black(Point{45, 25}, Point{55, 25}, Point{53, 60}, Point{47, 60}), disc(Black, 50, 25, 5, 3), disc(Black, 50, 69, 5, 5)}
}

func health() []Shape {
	star := burst(50, 57, 11, 3.5, 6)
	star.Ink = White
	return []Shape{
		disc(Black, 50, 29, 8, 9), black(Point{44, 36}, Point{56, 36}, Point{67, 45}, Point{68, 64}, Point{62, 72}, Point{38, 72}, Point{32, 64}, Point{33, 45}), star,
	}
}

func environment() []Shape {
	return []Shape{
		bar(Black, 24, 62, 60, 62, 3), bar(Black, 38, 62, 40, 32, 4.5), bar(Black, 39, 48, 29, 40, 2.5), bar(Black, 40, 42, 50, 33, 2.5), bar(Black, 39, 52, 47, 46, 2.5),
		bar(Black, 40, 36, 35, 28, 2), disc(White, 62, 58, 15, 8), disc(Black, 62, 58, 12, 6), black(Point{72, 58}, Point{80, 53}, Point{80, 63}), disc(White, 56, 57, 1.4, 1.4),
		bar(Black, 44, 68, 72, 68, 2.5),
	}
}
