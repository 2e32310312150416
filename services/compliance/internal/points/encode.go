package points

import (
	"bytes"
	"encoding/binary"
	"errors"
	"slices"

	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
)

// layout is the first byte of what is kept. Other layouts are not read: history is.
const layout = 5

// errLayout says that the bytes are of another layout or cut short.
var errLayout = errors.New("points of another layout, or cut short")

// bands are the bands by their number in what is kept; a new one goes to the end.
var bands = []due.Band{"", due.Current, due.Near, due.Due, due.Overdue, due.Exempt, due.NoData, due.InTolerance, due.Attention}

// Encode writes the points as bytes, the same for the same points. Of a requirement stands what it does not share with the one before, and of an item its
// length, so that it can be passed over.
func (p Points) Encode() []byte {
	w := append(make(writer, 0, 64+roomEach*len(p.Items)), layout)
	w = w.text(p.Rules).date(p.Since).date(p.Until).int(int64(len(p.Items)))
	before := ""
	for i := range p.Items {
		name := p.Items[i].Requirement
		same := shared(before, name)
		w = w.int(int64(same)).text(name[same:])
		at := len(w)
		w = append(w, 0).point(&p.Items[i]).length(at)
		before = name
	}
	return w
}

// roomEach is what an item takes, mostly.
const roomEach = 56

// shared is how many bytes two names begin with alike.
func shared(a, b string) int {
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return i
		}
	}
	return min(len(a), len(b))
}

// writer is what was written so far. What writes on gives it back: to keep it in a place of its own would cost the collector of garbage work for every
// number of a fleet.
type writer []byte

func (w writer) int(n int64) writer { return binary.AppendVarint(w, n) }

func (w writer) ints(all ...int64) writer {
	for _, n := range all {
		w = w.int(n)
	}
	return w
}

func (w writer) text(s string) writer { return append(w.int(int64(len(s))), s...) }

func (w writer) date(d civil.Date) writer {
	return w.int(int64(d.Year)<<9 | int64(d.Month)<<5 | int64(d.Day))
}

func (w writer) flags(all ...bool) writer {
	var n int64
	for i, f := range all {
		if f {
			n |= 1 << i
		}
	}
	return w.int(n)
}

// length puts the length of what stands behind a place into it. It has room for one byte, which is mostly enough.
func (w writer) length(at int) writer {
	var room [binary.MaxVarintLen64]byte
	size := binary.AppendVarint(room[:0], int64(len(w)-at-1))
	w = slices.Insert(w, at, size[:len(size)-1]...)
	copy(w[at:], size)
	return w
}

func (w writer) point(p *Point) writer {
	w = w.flags(p.Counted, p.Soft, p.Lowered, !p.Fitted.IsZero(), !p.Past.IsZero())
	for i, b := range bands {
		if b == p.Told.Band {
			w = w.int(int64(i))
			break
		}
	}
	w = binary.LittleEndian.AppendUint64(w.date(p.Told.Date), p.Told.Row)
	if !p.Counted {
		return w
	}
	w = w.tree(&p.Tree).date(p.Base.Date)
	w = w.ints(p.Base.Counters.Seconds, p.Base.Counters.Cycles, p.Base.Counters.Starts)
	w = w.ints(p.Threshold.Days, p.Threshold.Seconds, p.Threshold.Cycles)
	w = w.ints(p.Extension.Days, p.Extension.Seconds, p.Extension.Cycles).date(p.Extension.Stop)
	if !p.Fitted.IsZero() {
		w = w.date(p.Fitted)
	}
	if !p.Past.IsZero() {
		w = w.date(p.Past)
	}
	return w
}

func (w writer) tree(t *due.Tree) writer {
	w = w.flags(t.Later).int(int64(len(t.Limits)))
	for i := range t.Limits {
		l := &t.Limits[i]
		w = w.flags(l.SinceNew).ints(int64(l.Unit), l.Amount).date(l.Fixed)
	}
	w = w.int(int64(len(t.Trees)))
	for i := range t.Trees {
		w = w.tree(&t.Trees[i])
	}
	return w
}

// Decode reads what Encode wrote; an error says that history has to be read instead.
func Decode(b []byte) (Points, error) { return DecodeInto(nil, b) }

// DecodeInto is Decode that puts the items where others were that nobody needs any more.
func DecodeInto(room []Point, b []byte) (Points, error) {
	return decode(room, b, len(b), func([]byte) bool { return true })
}

// DecodeSome reads the items of some requirements and passes over the others, of which it does not see whether they can be read.
func DecodeSome(b []byte, requirements []string) (Points, error) {
	return decode(nil, b, len(requirements), func(name []byte) bool {
		return slices.ContainsFunc(requirements, func(r string) bool { return r == string(name) })
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
func decode(room []Point, b []byte, most int, wanted func(requirement []byte) bool) (p Points, err error) {
	if len(b) == 0 || b[0] != layout {
		return p, errLayout
	}
	r := reader{b: b, at: 1}
	p.Rules, p.Since, p.Until = string(r.text()), r.date(), r.date()
	n := r.count()
	if p.Items = room[:0]; room == nil || cap(room) < min(n, most) {
		p.Items = make([]Point, 0, min(n, most))
	}
	var name, last []byte
	names := make([]byte, 0, roomNames)
	for ; n > 0 && !r.bad; n-- {
		name = r.name(name)
		item := reader{b: r.text(), limits: r.limits}
		if !wanted(name) {
			continue
		}
		p.Items = append(p.Items, Point{})
		item.point(&p.Items[len(p.Items)-1])
		r.limits, r.bad = item.limits, r.bad || item.bad || item.at < len(item.b) || len(p.Items) > 1 && bytes.Compare(name, last) <= 0
		last = append(last[:0], name...)
		names = append(binary.AppendUvarint(names, uint64(len(name))), name...)
	}
	if r.bad || r.at < len(r.b) {
		return Points{}, errLayout
	}
	p.call(string(names))
	return p, nil
}

// roomNames is for how many bytes of names there is room from the beginning.
const roomNames = 2048

// call gives the items their names, which are parts of one text, each behind its length.
func (p *Points) call(names string) {
	for i := range p.Items {
		n, width := 0, 0
		for more := true; more; width++ {
			n |= int(names[width]&0x7f) << (7 * width)
			more = names[width] >= 0x80
		}
		p.Items[i].Requirement = names[width : width+n]
		names = names[width+n:]
	}
}

// reader reads until something is wrong, and nothing but zeros after.
type reader struct {
	b      []byte
	at     int
	bad    bool
	limits []due.Limit // room for the limits of many items
}

func (r *reader) fail() int64 {
	r.bad, r.at = true, len(r.b)
	return 0
}

// int is a number as binary.AppendVarint writes it.
func (r *reader) int() int64 {
	if r.at < len(r.b) && r.b[r.at] < 0x80 { // most are of one byte
		n := uint64(r.b[r.at])
		r.at++
		return int64(n>>1) ^ -int64(n&1)
	}
	n, width := binary.Varint(r.b[r.at:])
	if width <= 0 {
		return r.fail()
	}
	r.at += width
	return n
}

// count is a number of things that follow, each of one byte at the least.
func (r *reader) count() int {
	n := r.int()
	if n < 0 || n > int64(len(r.b)-r.at) {
		return int(r.fail())
	}
	return int(n)
}

// text is as many bytes as the number before them says.
func (r *reader) text() []byte {
	n := r.count()
	r.at += n
	return r.b[r.at-n : r.at]
}

// name is the next name, in the place of the one before: as many bytes of that as the number before the others says.
func (r *reader) name(before []byte) []byte {
	same := r.int()
	if same < 0 || same > int64(len(before)) {
		same = r.fail()
	}
	return append(before[:same], r.text()...)
}

func (r *reader) digest() uint64 {
	if len(r.b)-r.at < 8 {
		return uint64(r.fail())
	}
	r.at += 8
	return binary.LittleEndian.Uint64(r.b[r.at-8:])
}

func (r *reader) date() civil.Date {
	n := r.int()
	return civil.Date{Year: int(n >> 9), Month: int(n >> 5 & 15), Day: int(n & 31)}
}

func (r *reader) point(p *Point) {
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
	r.tree(&p.Tree)
	p.Base.Date = r.date()
	p.Base.Counters = due.Counters{Seconds: r.int(), Cycles: r.int(), Starts: r.int()}
	p.Threshold = due.Threshold{Days: r.int(), Seconds: r.int(), Cycles: r.int()}
	p.Extension = due.Extension{Days: r.int(), Seconds: r.int(), Cycles: r.int()}
	p.Extension.Stop = r.date()
	if flags&8 != 0 {
		p.Fitted = r.date()
	}
	if flags&16 != 0 {
		p.Past = r.date()
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

func (r *reader) tree(t *due.Tree) {
	t.Later = r.int() != 0
	if n := r.count(); n > 0 {
		t.Limits = r.room(n)
	}
	for i := range t.Limits {
		l := &t.Limits[i]
		l.SinceNew = r.int() != 0
		l.Unit, l.Amount, l.Fixed = due.Unit(r.int()), r.int(), r.date()
	}
	if n := r.count(); n > 0 {
		t.Trees = make([]due.Tree, n)
	}
	for i := range t.Trees {
		r.tree(&t.Trees[i])
	}
}
