package printing

// EmptyBox and TickedBox as a cell draw a box, to be ticked by hand or ticked.
const (
	EmptyBox  = "☐"
	TickedBox = "☑"
)

// Column is a column of a table.
type Column struct {
	Title  string
	Weight float64 // its share of the width
	Align  Align
	Mono   bool // all characters of one width, for codes and hashes
}

// Table is a table with ruled rows. Its head is repeated on every page that it reaches.
type Table struct {
	Columns   []Column
	Rows      [][]string // a missing cell is empty
	RowHeight float64    // the least height of a row in millimetres; leave room to write by hand
	Headless  bool       // no head: the table goes on where another one ended
	Joined    bool       // no room below: another table goes on there
}

const cellPad = 1.2

// Table draws a table. A row moves to the next page whole, unless it is higher than a page.
func (d *Document) Table(t Table) {
	widths := t.widths(d.Width())
	head := make([]string, len(t.Columns))
	for i, c := range t.Columns {
		head[i] = c.Title
	}
	first := d.layOut(t, widths, append([]string(nil), head...), true)
	if !t.Headless {
		d.Keep(first.height() + Style{Size: bodySize}.LineHeight() + 2*cellPad)
		d.drawRow(t, widths, first)
	}
	for _, cells := range t.Rows {
		row := d.layOut(t, widths, cells, false)
		for row.height() > d.room() {
			if full := d.bottom() - margin - headRoom - first.height(); row.height() > full && d.room() > 2*row.line {
				var part tableRow
				part, row = row.cut(int((d.room() - 2*cellPad) / row.line))
				d.drawRow(t, widths, part)
			}
			d.NewPage()
			d.drawRow(t, widths, first)
		}
		d.drawRow(t, widths, row)
	}
	if !t.Joined {
		d.Space(2.5)
	}
}

func (t Table) widths(total float64) []float64 {
	sum := 0.0
	for _, c := range t.Columns {
		sum += c.Weight
	}
	widths := make([]float64, len(t.Columns))
	for i, c := range t.Columns {
		widths[i] = total * c.Weight / sum
	}
	return widths
}

// tableRow is a row whose cells are broken into lines.
type tableRow struct {
	cells [][]string
	line  float64 // the height of a line
	least float64
	head  bool
}

func (r tableRow) lines() int {
	n := 1
	for _, c := range r.cells {
		n = max(n, len(c))
	}
	return n
}

func (r tableRow) height() float64 { return max(float64(r.lines())*r.line+2*cellPad, r.least) }

// cut parts a row after n lines, at least one.
func (r tableRow) cut(n int) (first, rest tableRow) {
	n = max(n, 1)
	first, rest = r, r
	first.cells, rest.cells = nil, nil
	for _, c := range r.cells {
		at := min(n, len(c))
		first.cells = append(first.cells, c[:at])
		rest.cells = append(rest.cells, c[at:])
	}
	first.least, rest.least = 0, 0
	return first, rest
}

func (t Table) style(column int, head bool) Style {
	return Style{Size: bodySize - 1, Bold: head, Mono: t.Columns[column].Mono && !head}
}

func (d *Document) layOut(t Table, widths []float64, cells []string, head bool) tableRow {
	row := tableRow{head: head, line: t.style(0, head).LineHeight()}
	if !head {
		row.least = t.RowHeight
	}
	for i, width := range widths {
		text := ""
		if i < len(cells) {
			text = cells[i]
		}
		row.cells = append(row.cells, d.canvas.Wrap(t.style(i, head), width-2*cellPad, text))
	}
	return row
}

// drawRow draws a row at the present place and moves on below it.
func (d *Document) drawRow(t Table, widths []float64, row tableRow) {
	height := row.height()
	x := margin
	for i, lines := range row.cells {
		if row.head {
			d.canvas.Fill(x, d.y, widths[i], height, 225)
		}
		d.canvas.Box(x, d.y, widths[i], height, 0.2)
		d.drawCell(t, i, x, widths[i], lines, row)
		x += widths[i]
	}
	d.y += height
}

func (d *Document) drawCell(t Table, column int, x, width float64, lines []string, row tableRow) {
	style := t.style(column, row.head)
	if len(lines) == 1 && (lines[0] == EmptyBox || lines[0] == TickedBox) {
		const side = 3.6
		d.canvas.TickBox(x+(width-side)/2, d.y+(row.height()-side)/2, side, lines[0] == TickedBox)
		return
	}
	y := d.y + cellPad + style.Size*mmPerPoint
	for _, line := range lines {
		d.canvas.TextIn(x+cellPad, y, width-2*cellPad, t.Columns[column].Align, style, line)
		y += row.line
	}
}
