package recordpack

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"io"
	"iter"
	"os"
)

// Spool keeps what is gathered for a pack in its order, to be read as often as it is written: the first bytes in memory, and from a bound on in a file that
// has no name any more, so that nothing of it is left when the process ends, however it ends. The zero value is empty; Close gives the file back.
type Spool struct {
	held  bytes.Buffer
	file  *os.File
	out   *bufio.Writer
	bytes int64 // in the file
	count int
}

// maxHeld is how many bytes of a spool stay in memory: packs of a few hundred records need no file.
const maxHeld = 1 << 20

// Len is how many things are kept.
func (s *Spool) Len() int { return s.count }

// Add keeps a thing.
func (s *Spool) Add(content []byte) error {
	if s.file == nil && s.held.Len() > 0 && s.held.Len()+len(content) > maxHeld {
		if err := s.spill(); err != nil {
			return err
		}
	}
	to := io.Writer(&s.held)
	if s.file != nil {
		to = s.out
	}
	var room [binary.MaxVarintLen64]byte
	for _, part := range [][]byte{binary.AppendUvarint(room[:0], uint64(len(content))), content} {
		n, err := to.Write(part)
		if s.file != nil {
			s.bytes += int64(n)
		}
		if err != nil {
			return err
		}
	}
	s.count++
	return nil
}

// spill opens the file that all that follows goes into.
func (s *Spool) spill() error {
	file, err := os.CreateTemp("", "coldsection-pack-*")
	if err != nil {
		return err
	}
	s.file, s.out = file, bufio.NewWriterSize(file, maxHeld/8)
	return os.Remove(file.Name())
}

// All are the things in their order. Each is good until the next one.
func (s *Spool) All() iter.Seq2[[]byte, error] {
	return func(yield func([]byte, error) bool) {
		from := io.Reader(bytes.NewReader(s.held.Bytes()))
		if s.file != nil {
			if err := s.out.Flush(); err != nil {
				yield(nil, err)
				return
			}
			from = io.MultiReader(from, io.NewSectionReader(s.file, 0, s.bytes))
		}
		in, content := bufio.NewReaderSize(from, maxHeld/8), []byte(nil)
		for range s.count {
			n, err := binary.ReadUvarint(in)
			if err == nil {
				content = append(content[:0], make([]byte, n)...)
				_, err = io.ReadFull(in, content)
			}
			if !yield(content, err) || err != nil {
				return
			}
		}
	}
}

// Close gives up what is kept.
func (s *Spool) Close() error {
	file := s.file
	*s = Spool{}
	if file == nil {
		return nil
	}
	return file.Close()
}
