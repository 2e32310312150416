package recordpack

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"hash"
	"hash/crc32"
	"io"
	"iter"
)

// streamed is a file that is written anew whenever it is needed, and what it was when it was written first.
type streamed struct {
	write func(io.Writer) error
	was   sums
}

// sums are what a pack says of a file's content.
type sums struct {
	bytes  int
	sha256 string
	crc    uint32
}

// Streamed is a file whose content is never held: it is written once to be measured, and once more into the pack. write must write the same both times;
// a pack with a file that came out otherwise fails.
func Streamed(path, mediaType string, write func(io.Writer) error) (File, error) {
	was, err := measured(io.Discard, write)
	return File{Path: path, MediaType: mediaType, streamed: &streamed{write, was}}, err
}

// Bytes is how long the file is.
func (f File) Bytes() int {
	if f.streamed == nil {
		return len(f.Content)
	}
	return f.streamed.was.bytes
}

// Sum is the SHA-256 of the file, in hexadecimal.
func (f File) Sum() string { return f.sums().sha256 }

func (f File) sums() sums {
	if f.streamed != nil {
		return f.streamed.was
	}
	return sums{len(f.Content), Sum(f.Content), crc32.ChecksumIEEE(f.Content)}
}

// writeTo writes the content.
func (f File) writeTo(w io.Writer) error {
	if f.streamed == nil {
		_, err := w.Write(f.Content)
		return err
	}
	is, err := measured(w, f.streamed.write)
	if err == nil && is != f.streamed.was {
		err = fmt.Errorf("recordpack: %s came out otherwise when it was written again", f.Path)
	}
	return err
}

// measured writes on to another writer and tells what was written.
func measured(to io.Writer, write func(io.Writer) error) (sums, error) {
	m := &measure{to: to, sha: sha256.New(), crc: crc32.NewIEEE()}
	err := write(m)
	return sums{m.bytes, hex.EncodeToString(m.sha.Sum(nil)), m.crc.Sum32()}, err
}

type measure struct {
	to    io.Writer
	sha   hash.Hash
	crc   hash.Hash32
	bytes int
}

// Write writes on.
func (m *measure) Write(content []byte) (int, error) {
	n, err := m.to.Write(content)
	_, _ = m.sha.Write(content[:n]) // a hash takes everything
	_, _ = m.crc.Write(content[:n])
	m.bytes += n
	return n, err
}

// WriteList writes the list that JSON would, value by value, so that its text is never held whole.
func WriteList(w io.Writer, values iter.Seq2[any, error]) error {
	if err := writeList(w, "", values); err != nil {
		return err
	}
	_, err := io.WriteString(w, "\n")
	return err
}

// WriteChains writes what JSON would make of chains, entry by entry.
func WriteChains(w io.Writer, c Chains) error {
	if c.Entries == nil {
		return WriteEntries(w, c.Heads, nil)
	}
	return WriteEntries(w, c.Heads, each(c.Entries))
}

// WriteEntries is WriteChains of entries that nobody holds; nil for none.
func WriteEntries(w io.Writer, heads []Head, entries iter.Seq2[any, error]) error {
	last, err := indented(heads, "  ")
	if err != nil {
		return err
	}
	if entries == nil {
		_, err := fmt.Fprintf(w, "{\n  \"entries\": null,\n  \"heads\": %s\n}\n", last)
		return err
	}
	if _, err := io.WriteString(w, "{\n  \"entries\": "); err != nil {
		return err
	}
	if err := writeList(w, "  ", entries); err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, ",\n  \"heads\": %s\n}\n", last)
	return err
}

func each[T any](all []T) iter.Seq2[any, error] {
	return func(yield func(any, error) bool) {
		for _, one := range all {
			if !yield(one, nil) {
				return
			}
		}
	}
}

// writeList writes a list that stands so far to the right.
func writeList(w io.Writer, prefix string, values iter.Seq2[any, error]) error {
	const first = "["
	between := first
	for v, err := range values {
		if err != nil {
			return err
		}
		text, err := indented(v, prefix+"  ")
		if err != nil {
			return err
		}
		if _, err := fmt.Fprintf(w, "%s\n%s  %s", between, prefix, text); err != nil {
			return err
		}
		between = ","
	}
	end := "\n" + prefix + "]"
	if between == first {
		end = "[]"
	}
	_, err := io.WriteString(w, end)
	return err
}

// indented is a value as JSON writes it within another that stands so far to the right.
func indented(v any, prefix string) ([]byte, error) {
	var out bytes.Buffer
	e := json.NewEncoder(&out)
	e.SetEscapeHTML(false)
	e.SetIndent(prefix, "  ")
	err := e.Encode(v)
	return bytes.TrimSuffix(out.Bytes(), []byte("\n")), err
}
