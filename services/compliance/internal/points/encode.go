package points

import (
	"encoding/binary"
	"errors"
	"slices"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

// layout is the first byte of what is kept. Other layouts are not read: history is.
const layout = 3

// errLayout says that the bytes are of another layout or cut short.
var errLayout = errors.New("points of another layout, or cut short")

// bands are the bands by their number in what is kept; a new one goes to the end.
var bands = []due.Band{"", due.Current, due.Near, due.Due, due.Overdue, due.Exempt, due.NoData, due.InTolerance, due.Attention}

// Encode writes the points as bytes, the same for the same points.
func (p Points) Encode() []byte {
	w := writer{b: append(make([]byte, 0, 64+roomEach*len(p.Items)), layout)}
	w.text(p.Rules)
	w.date(p.Since)
	w.date(p.Until)
	w.int(int64(len(p.Items)))
	var one writer
	for i := range p.Items { // each with its length, so that others can be passed over
		one.b = one.b[:0]
		one.point(&p.Items[i])
		w.int(int64(len(one.b)))
		w.b = append(w.b, one.b...)
	}
	return w.b
}

// roomEach is what an item takes, mostly.
const roomEach = 80

type writer struct{ b []byte }

func (w *writer) int(n int64) { w.b = binary.AppendVarint(w.b, n) }

func (w *writer) ints(all ...int64) {
	for _, n := range all {
		w.int(n)
	}
}

func (w *writer) text(s string) {
	w.int(int64(len(s)))
	w.b = append(w.b, s...)
}

func (w *writer) date(d civil.Date) { w.int(int64(d.Year)<<9 | int64(d.Month)<<5 | int64(d.Day)) }

func (w *writer) flags(all ...bool) {
	var n int64
	for i, f := range all {
		if f {
			n |= 1 << i
		}
	}
	w.int(n)
}

func (w *writer) point(p *Point) {
	w.text(p.Requirement)
	w.flags(p.Counted, p.Soft, p.Lowered, !p.Fitted.IsZero())
	for i, b := range bands {
		if b == p.Told.Band {
			w.int(int64(i))
			break
		}
	}
	w.date(p.Told.Date)
	w.b = binary.LittleEndian.AppendUint64(w.b, p.Told.Row)
	if !p.Counted {
		return
	}
	w.tree(p.Tree)
	w.date(p.Base.Date)
	w.ints(p.Base.Counters.Seconds, p.Base.Counters.Cycles, p.Base.Counters.Starts)
	w.ints(p.Threshold.Days, p.Threshold.Seconds, p.Threshold.Cycles)
	w.ints(p.Extension.Days, p.Extension.Seconds, p.Extension.Cycles)
	w.date(p.Extension.Stop)
	if !p.Fitted.IsZero() {
		w.date(p.Fitted)
	}
}

func (w *writer) tree(t due.Tree) {
	w.flags(t.Later)
	w.int(int64(len(t.Limits)))
	for _, l := range t.Limits {
		w.flags(l.SinceNew)
		w.ints(int64(l.Unit), l.Amount)
		w.date(l.Fixed)
	}
	w.int(int64(len(t.Trees)))
	for _, sub := range t.Trees {
		w.tree(sub)
	}
}

// Decode reads what Encode wrote; an error says that history has to be read instead.
func Decode(b []byte) (Points, error) { return DecodeInto(nil, b) }

// DecodeInto is Decode that puts the items where others were that nobody needs any more.
func DecodeInto(room []Point, b []byte) (Points, error) {
	return decode(room, b, len(b), func(string) bool { return true })
}

// DecodeSome reads the items of some requirements and passes over the others, of which it does not see whether they can be read.
func DecodeSome(b []byte, requirements []string) (Points, error) {
	return decode(nil, b, len(requirements), func(name string) bool {
		return slices.Contains(requirements, name)
	})
}

// RulesOf reads which requirements points were worked out from, and nothing else of them; empty when that can't be read.
func RulesOf(b []byte) string {
	if len(b) == 0 || b[0] != layout {
		return ""
	}
	n, width := binary.Varint(b[1:])
	if rest := b[1+max(0, width):]; width > 0 && n >= 0 && n <= int64(len(rest)) {
		return string(rest[:n])
	}
	return ""
}

// decode reads items that are wanted, which are at most so many.
func decode(room []Point, b []byte, most int, wanted func(requirement string) bool) (p Points, err error) {
	if len(b) == 0 || b[0] != layout {
		return p, errLayout
	}
	r := reader{s: string(b[1:])}
	p.Rules, p.Since, p.Until = r.text(), r.date(), r.date()
	n := r.count()
	if p.Items = room[:0]; room == nil || cap(room) < min(n, most) {
		p.Items = make([]Point, 0, min(n, most))
	}
	for ; n > 0 && !r.bad; n-- {
		item := reader{s: r.text(), limits: r.limits}
		if named := item; !wanted(named.text()) {
			continue
		}
		var one Point
		item.point(&one)
		last := len(p.Items) - 1
		r.limits, r.bad = item.limits, item.bad || len(item.s) > 0 || last >= 0 && one.Requirement <= p.Items[last].Requirement
		p.Items = append(p.Items, one)
	}
	if r.bad || len(r.s) > 0 {
		return Points{}, errLayout
	}
	return p, nil
}

// reader reads until something is wrong, and nothing but zeros after. What is kept is one text, of which names are parts.
type reader struct {
	s      string
	bad    bool
	limits []due.Limit // room for the limits of many items
}

func (r *reader) fail() int64 {
	r.bad, r.s = true, ""
	return 0
}

// int is a number as binary.AppendVarint writes it.
func (r *reader) int() int64 {
	var n uint64
	for i := range min(len(r.s), binary.MaxVarintLen64) {
		c := r.s[i]
		if i == binary.MaxVarintLen64-1 && c > 1 {
			break
		}
		n |= uint64(c&0x7f) << (7 * i)
		if c < 0x80 {
			r.s = r.s[i+1:]
			return int64(n>>1) ^ -int64(n&1)
		}
	}
	return r.fail()
}

// count is a number of things that follow, each of one byte at the least.
func (r *reader) count() int {
	n := r.int()
	if n < 0 || n > int64(len(r.s)) {
		return int(r.fail())
	}
	return int(n)
}

// text is as many bytes as the number before them says.
func (r *reader) text() string {
	n := r.count()
	text := r.s[:n]
	r.s = r.s[n:]
	return text
}

func (r *reader) digest() uint64 {
	if len(r.s) < 8 {
		return uint64(r.fail())
	}
	n := binary.LittleEndian.Uint64([]byte(r.s[:8]))
	r.s = r.s[8:]
	return n
}

func (r *reader) date() civil.Date {
	n := r.int()
	return civil.Date{Year: int(n >> 9), Month: int(n >> 5 & 15), Day: int(n & 31)}
}

func (r *reader) point(p *Point) {
	p.Requirement = r.text()
	flags := r.int()
	p.Counted, p.Soft, p.Lowered = flags&1 != 0, flags&2 != 0, flags&4 != 0
	band := r.int()
	if band < 0 || band >= int64(len(bands)) {
		r.bad = true
		return
	}
	p.Told = Told{Band: bands[band], Date: r.date(), Row: r.digest()}
	if !p.Counted {
		return
	}
	p.Tree = r.tree()
	p.Base.Date = r.date()
	p.Base.Counters = due.Counters{Seconds: r.int(), Cycles: r.int(), Starts: r.int()}
	p.Threshold = due.Threshold{Days: r.int(), Seconds: r.int(), Cycles: r.int()}
	p.Extension = due.Extension{Days: r.int(), Seconds: r.int(), Cycles: r.int()}
	p.Extension.Stop = r.date()
	if flags&8 != 0 {
		p.Fitted = r.date()
	}
}

// room is a place for so many limits.
func (r *reader) room(n int) []due.Limit {
	if len(r.limits) < n {
		r.limits = make([]due.Limit, max(n, 64))
	}
	place := r.limits[:n:n]
	r.limits = r.limits[n:]
	return place
}

func (r *reader) tree() (t due.Tree) {
	t.Later = r.int() != 0
	if n := r.count(); n > 0 {
		t.Limits = r.room(n)
	}
	for i := range t.Limits {
		t.Limits[i].SinceNew = r.int() != 0
		t.Limits[i].Unit, t.Limits[i].Amount, t.Limits[i].Fixed = due.Unit(r.int()), r.int(), r.date()
	}
	if n := r.count(); n > 0 {
		t.Trees = make([]due.Tree, n)
	}
	for i := range t.Trees {
		t.Trees[i] = r.tree()
	}
	return t
}
