package app

import (
	"encoding/json"
	"io"
	"iter"

	"google.golang.org/protobuf/proto"

	"coldsection.example/services/platform/recordpack"
)

// spooledMessages are messages of a pack that are not held.
type spooledMessages[M proto.Message] struct{ recordpack.Spool }

func (s *spooledMessages[M]) add(m M) error {
	content, err := proto.Marshal(m)
	if err != nil {
		return err
	}
	return s.Add(content)
}

func (s *spooledMessages[M]) all() iter.Seq2[M, error] {
	return func(yield func(M, error) bool) {
		var of M
		for content, err := range s.All() {
			m, _ := of.ProtoReflect().New().Interface().(M)
			if err == nil {
				err = proto.Unmarshal(content, m)
			}
			if !yield(m, err) {
				return
			}
		}
	}
}

// write writes the messages as a list, one after the other.
func (s *spooledMessages[M]) write(w io.Writer) error {
	return recordpack.WriteList(w, func(yield func(any, error) bool) {
		for m, err := range s.all() {
			var one []byte
			if err == nil {
				one, err = plainJSON(m)
			}
			if !yield(json.RawMessage(one), err) {
				return
			}
		}
	})
}

// spooledRows are rows of a table, or other values, that are not held.
type spooledRows[T any] struct{ recordpack.Spool }

func (s *spooledRows[T]) add(row T) error {
	content, err := json.Marshal(row)
	if err != nil {
		return err
	}
	return s.Add(content)
}

func (s *spooledRows[T]) all() iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		for content, err := range s.All() {
			var row T
			if err == nil {
				err = json.Unmarshal(content, &row)
			}
			if !yield(row, err) {
				return
			}
		}
	}
}

// each is all as values of any kind.
func (s *spooledRows[T]) each() iter.Seq2[any, error] {
	return func(yield func(any, error) bool) {
		for row, err := range s.all() {
			if !yield(row, err) {
				return
			}
		}
	}
}
