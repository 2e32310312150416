package chart

import "math"

// Most is how many readings are all drawn. Of more, those are drawn that show: a column of pixels has no room for the others.
const Most = 3000

// column [px] is what has room for one dot beside the next.
const column = 2.0

// thin leaves of points, oldest first, the first, the last, the lowest and the highest of each column of pixels; all when there are few. A
// reading far out is always among them.
func (l *layout) thin(points []Point, value func(Point) float64) (out []Point) {
	if len(l.Points) <= Most {
		return points
	}
	for begin := 0; begin < len(points); {
		end, low, high := begin, begin, begin
		for here := l.columnOf(points[begin]); end < len(points) && l.columnOf(points[end]) == here; end++ {
			if v := value(points[end]); v < value(points[low]) {
				low = end
			} else if v > value(points[high]) {
				high = end
			}
		}
		last := -1
		for _, i := range []int{begin, min(low, high), max(low, high), end - 1} {
			if i > last {
				out, last = append(out, points[i]), i
			}
		}
		begin = end
	}
	return out
}

func (l *layout) columnOf(p Point) int { return int(math.Floor(l.x(p.At) / column)) }
