package store

import (
	"encoding/binary"
	"errors"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/platform/storage"
)

// A line is what due items follow from of an accomplishment, in few bytes: they stand in the index by subject, so that working out a fleet does not
// look for hundreds of thousands of rows, one by one.

// lineMark is the first byte of a line. No message begins with it: it would be a field of kind 7, which there is not.
const lineMark = 7

// longestLine is how many bytes a line has at the most; PostgreSQL indexes no more than 2,700. What would be longer has none.
const longestLine = 1024

// errLine says that a line can't be read.
var errLine = errors.New("the line of a kept record can't be read")

// The flags of a line.
const (
	lineCounted = 1 << iota
	lineVoid
)

// lineOf is the line of an accomplishment.
func lineOf(a *compliancev1.Accomplishment) []byte {
	texts := []string{a.GetSubject(), a.GetName(), a.GetSupersedes()}
	length := 64
	for _, text := range texts {
		length += len(text)
	}
	if length > longestLine {
		return []byte{}
	}
	b := append(make([]byte, 0, length), lineMark)
	for _, text := range texts {
		b = binary.AppendUvarint(b, uint64(len(text)))
		b = append(b, text...)
	}
	var flags int64
	if a.GetCounters() != nil {
		flags |= lineCounted
	}
	if a.GetVoid() {
		flags |= lineVoid
	}
	d, c, recorded := a.GetDoneDate(), a.GetCounters(), int64(0)
	if a.GetCreateTime() != nil {
		recorded = storage.Micros(a.GetCreateTime().AsTime())
	}
	for _, n := range []int64{
		flags, int64(d.GetYear()), int64(d.GetMonth()), int64(d.GetDay()), recorded, c.GetOperatingSeconds(), c.GetCycles(), c.GetStarts(), c.GetLandings(),
	} {
		b = binary.AppendVarint(b, n)
	}
	return b
}

// isLine tells a line from an accomplishment that is kept whole.
func isLine(kept []byte) bool { return len(kept) > 0 && kept[0] == lineMark }

// usualLine is about how many bytes a line has.
const usualLine = 64

// readLines adds the records of lines that stand one behind the other. Their texts are parts of one.
func readLines(all []Record, lines []byte) ([]Record, error) {
	for left := (lineReader{all: string(lines), b: lines}); left.at < len(lines); {
		all = append(all, Record{body: lines})
		if left.record(&all[len(all)-1]); left.bad {
			return nil, errLine
		}
	}
	return all, nil
}

// lineReader reads on until something is wrong, and nothing after.
type lineReader struct {
	all string
	b   []byte
	at  int
	bad bool
}

// record reads one line.
func (l *lineReader) record(r *Record) {
	if l.bad = l.b[l.at] != lineMark; l.bad {
		return
	}
	l.at++
	l.text() // the subject, which whoever asked for it knows
	r.Name, r.Supersedes = l.text(), l.text()
	flags := l.number()
	r.Counted, r.Void = flags&lineCounted != 0, flags&lineVoid != 0
	r.DoneDate = civil.Date{Year: int(l.number()), Month: int(l.number()), Day: int(l.number())}
	r.Recorded = l.number()
	r.Counters.Seconds, r.Counters.Cycles, r.Counters.Starts, r.Landings = l.number(), l.number(), l.number(), l.number()
}

func (l *lineReader) text() string {
	n, width := binary.Uvarint(l.b[l.at:])
	if width <= 0 || n > uint64(len(l.b)-l.at-width) {
		l.bad = true
		return ""
	}
	begin := l.at + width
	l.at = begin + int(n)
	return l.all[begin:l.at]
}

func (l *lineReader) number() int64 {
	n, width := binary.Varint(l.b[l.at:])
	if width <= 0 {
		l.bad = true
		return 0
	}
	l.at += width
	return n
}
