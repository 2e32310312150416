package store

import (
	"context"
	"fmt"
	"iter"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/civil"
	"coldsection.example/services/compliance/internal/due"
	"coldsection.example/services/platform/storage"
)

// Record is an accomplishment as due items are counted from it. What else it says stays as bytes until somebody asks: working out a fleet reads
// hundreds of thousands of them, and reading them whole takes several times as long.
type Record struct {
	Name, Supersedes string
	DoneDate         civil.Date
	Counters         due.Counters
	Landings         int64
	Counted          bool  // whether it carries counters
	Recorded         int64 // when, in microseconds
	Void             bool

	body []byte // the whole of it, or lines of which it is one
}

// Whole is the accomplishment with all that it says; an error when it was not read whole.
func (r *Record) Whole() (*compliancev1.Accomplishment, error) {
	a := &compliancev1.Accomplishment{}
	if r == nil {
		return a, nil
	}
	if isLine(r.body) {
		return a, fmt.Errorf("%s was not read whole", r.Name)
	}
	return a, proto.Unmarshal(r.body, a)
}

// WholeOf is Whole of a record that may have been read as a line.
func WholeOf(ctx context.Context, tx *storage.Tx, r *Record) (*compliancev1.Accomplishment, error) {
	if r == nil || !isLine(r.body) {
		return r.Whole()
	}
	found, err := Accomplishments.Where(ctx, tx, "name = $1", r.Name)
	if err == nil && len(found) == 0 {
		err = fmt.Errorf("%s is gone", r.Name)
	}
	if err != nil {
		return nil, err
	}
	return found[0], nil
}

// Records are accomplishments as they are kept, whole or as lines, of which any number may stand in one place, one behind the other. So they can be
// read elsewhere than where the store is.
type Records [][]byte

// Read reads them.
func (r Records) Read() ([]Record, error) {
	room := 0
	for _, kept := range r {
		room += 1 + len(kept)/usualLine
	}
	all := make([]Record, 0, room)
	for _, kept := range r {
		if isLine(kept) {
			var err error
			if all, err = readLines(all, kept); err != nil {
				return nil, err
			}
			continue
		}
		var one Record
		if err := one.read(kept); err != nil {
			return nil, err
		}
		all = append(all, one)
	}
	return all, nil
}

// The fields of an accomplishment that are read here, by their numbers in the contract.
const (
	fieldName       = 1
	fieldSubject    = 2
	fieldDoneDate   = 3
	fieldCounters   = 4
	fieldSupersedes = 9
	fieldCreateTime = 13
	fieldVoid       = 15
)

func (r *Record) read(body []byte) error {
	r.body = body
	var created [2]int64 // seconds, nanoseconds
	for f, err := range fields(body) {
		if err != nil {
			return err
		}
		switch {
		case f.kind == protowire.VarintType:
			if f.number == fieldVoid {
				r.Void = f.value != 0
			}
		case f.number == fieldName:
			r.Name = string(f.bytes)
		case f.number == fieldSupersedes:
			r.Supersedes = string(f.bytes)
		case f.number == fieldDoneDate:
			var day [3]int64
			if err := numbers(f.bytes, day[:]); err != nil {
				return err
			}
			r.DoneDate = civil.Date{Year: int(day[0]), Month: int(day[1]), Day: int(day[2])}
		case f.number == fieldCounters:
			var c [4]int64
			if err := numbers(f.bytes, c[:]); err != nil {
				return err
			}
			r.Counted, r.Counters, r.Landings = true, due.Counters{Seconds: c[0], Cycles: c[1], Starts: c[2]}, c[3]
		case f.number == fieldCreateTime:
			if err := numbers(f.bytes, created[:]); err != nil {
				return err
			}
		}
	}
	r.Recorded = created[0]*1_000_000 + created[1]/1_000
	return nil
}

// subjectOf is what a record is of.
func subjectOf(body []byte) (subject []byte, err error) {
	for f, err := range fields(body) {
		if err != nil {
			return nil, err
		}
		if f.number == fieldSubject && f.kind == protowire.BytesType {
			return f.bytes, nil
		}
	}
	return nil, nil
}

// numbers reads the first fields of a message, all of which are whole numbers.
func numbers(message []byte, into []int64) error {
	for f, err := range fields(message) {
		if err != nil {
			return err
		}
		if f.kind == protowire.VarintType && int(f.number) <= len(into) {
			into[f.number-1] = int64(f.value)
		}
	}
	return nil
}

// field is one field of a message: a whole number, or what has a length.
type field struct {
	number protowire.Number
	kind   protowire.Type
	value  uint64
	bytes  []byte
}

// fields goes through the fields of a message, and ends with an error where it can't be read. Kinds that no record has are passed over.
func fields(message []byte) iter.Seq2[field, error] {
	return func(yield func(field, error) bool) {
		for len(message) > 0 {
			var f field
			var n int
			f.number, f.kind, n = protowire.ConsumeTag(message)
			if n > 0 {
				message = message[n:]
				n = f.consume(message)
			}
			if n < 0 {
				yield(f, fmt.Errorf("a kept record can't be read: %w", protowire.ParseError(n)))
				return
			}
			message = message[n:]
			if (f.kind == protowire.VarintType || f.kind == protowire.BytesType) && !yield(f, nil) {
				return
			}
		}
	}
}

// consume reads the value of a field and returns its length, below zero for an error.
func (f *field) consume(message []byte) (n int) {
	switch f.kind {
	case protowire.VarintType:
		f.value, n = protowire.ConsumeVarint(message)
	case protowire.BytesType:
		f.bytes, n = protowire.ConsumeBytes(message)
	default:
		n = protowire.ConsumeFieldValue(f.number, f.kind, message)
	}
	return n
}
