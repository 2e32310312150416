package recordpack_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"runtime"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/recordpack"
)

// streamedFrom is a file that writes so many pieces each time.
func streamedFrom(t testing.TB, path string, pieces int, piece func(i int) []byte) recordpack.File {
	t.Helper()
	f, err := recordpack.Streamed(path, "text/plain", func(w io.Writer) error {
		for i := range pieces {
			if _, err := w.Write(piece(i)); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// A pack of files that are never held is, byte by byte, the pack of the same files held.
func TestAStreamedPackIsTheHeldOne(t *testing.T) {
	key := ed25519.NewKeyFromSeed(bytes.Repeat([]byte("s"), 32))
	about := recordpack.About{Number: "RP-1", Subject: "engines/one"}
	rapid.Check(t, func(rt *rapid.T) {
		var held, streamed []recordpack.File
		for i := range rapid.IntRange(1, 6).Draw(rt, "files") {
			pieces := rapid.SliceOf(rapid.SliceOf(rapid.Byte())).Draw(rt, "pieces")
			path := fmt.Sprintf("file-%d.txt", i)
			held = append(held, recordpack.File{Path: path, MediaType: "text/plain", Content: bytes.Join(pieces, nil)})
			streamed = append(streamed, streamedFrom(t, path, len(pieces), func(i int) []byte { return pieces[i] }))
			if a, b := held[i], streamed[i]; a.Bytes() != b.Bytes() || a.Sum() != b.Sum() {
				rt.Errorf("%d bytes %s held, %d bytes %s streamed", a.Bytes(), a.Sum(), b.Bytes(), b.Sum())
			}
		}
		want, err := recordpack.Make(about, held, key)
		if err != nil {
			rt.Fatal(err)
		}
		got, err := recordpack.Make(about, streamed, key)
		if err != nil || !bytes.Equal(got, want) || recordpack.ContentHash(held) != recordpack.ContentHash(streamed) {
			rt.Errorf("%d bytes streamed, %d held, %v", len(got), len(want), err)
		}
		if r := recordpack.Verify(got, recordpack.PublicKey(key)); len(r.Faults) > 0 {
			rt.Error(r.Faults)
		}
	})
}

// A pack larger than what may be held goes out while no more than some pieces of it are in memory.
func TestALargePackIsNeverHeld(t *testing.T) {
	const pieces, size = 512, 1 << 18 // 128 MiB in each of two files
	block := make([]byte, size)
	piece := func(i int) []byte {
		block[0], block[size-1] = byte(i), byte(i>>8)
		return block
	}
	before := live()
	files := []recordpack.File{streamedFrom(t, "a.txt", pieces, piece), streamedFrom(t, "b.txt", pieces, piece)}
	out := &watched{sum: sha256.New()}
	if err := recordpack.Write(out, recordpack.About{Number: "RP-1"}, files, ed25519.NewKeyFromSeed(bytes.Repeat([]byte("s"), 32))); err != nil {
		t.Fatal(err)
	}
	if out.bytes < 2*pieces*size {
		t.Errorf("%d bytes went out", out.bytes)
	}
	if most := max(out.most, before); most-before > 8<<20 {
		t.Errorf("%d MiB are held more than before", (most-before)>>20)
	}
}

// watched looks at the memory every 32 MiB that are written.
type watched struct {
	sum         io.Writer
	bytes, next int
	most        uint64
}

func (w *watched) Write(content []byte) (int, error) {
	if w.bytes += len(content); w.bytes >= w.next {
		w.most, w.next = max(w.most, live()), w.next+32<<20
	}
	return w.sum.Write(content)
}

// live is what is in use after everything else was given back.
func live() uint64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// A file that comes out otherwise the second time fails the pack: its hash stands in the manifest already, which was signed.
func TestAFileThatComesOutOtherwiseFailsThePack(t *testing.T) {
	gone := errors.New("the disk is gone")
	for name, second := range map[string]func(io.Writer) error{
		"another byte": func(w io.Writer) error { _, err := io.WriteString(w, "two"); return err },
		"shorter":      func(w io.Writer) error { _, err := io.WriteString(w, "on"); return err },
		"longer":       func(w io.Writer) error { _, err := io.WriteString(w, "one!"); return err },
		"nothing":      func(io.Writer) error { return nil },
		"an error":     func(io.Writer) error { return gone },
	} {
		t.Run(name, func(t *testing.T) {
			write := func(w io.Writer) error { _, err := io.WriteString(w, "one"); return err }
			f, err := recordpack.Streamed("a.txt", "text/plain", func(w io.Writer) error { return write(w) })
			if err != nil {
				t.Fatal(err)
			}
			write = second
			_, err = recordpack.Make(recordpack.About{}, []recordpack.File{f}, ed25519.NewKeyFromSeed(bytes.Repeat([]byte("s"), 32)))
			if err == nil || !errors.Is(err, gone) && !strings.Contains(err.Error(), "a.txt") {
				t.Errorf("the error is %v", err)
			}
		})
	}
	if _, err := recordpack.Streamed("a.txt", "text/plain", func(io.Writer) error { return gone }); !errors.Is(err, gone) {
		t.Errorf("a file that can't be written: %v", err)
	}
}

// A list and chains that are written value by value are what JSON makes of the whole.
func TestWhatIsWrittenValueByValueIsTheWhole(t *testing.T) {
	type some struct {
		Text  string            `json:"text"`
		List  []int             `json:"list"`
		Named map[string]string `json:"named"`
	}
	rapid.Check(t, func(rt *rapid.T) {
		all := []some{}
		for range rapid.IntRange(0, 5).Draw(rt, "values") {
			all = append(all, some{
				rapid.String().Draw(rt, "text"), rapid.SliceOf(rapid.Int()).Draw(rt, "list"), rapid.MapOf(rapid.String(), rapid.String()).Draw(rt, "named"),
			})
		}
		want, err := recordpack.JSON(all)
		if err != nil {
			rt.Fatal(err)
		}
		var got bytes.Buffer
		err = recordpack.WriteList(&got, func(yield func(any, error) bool) {
			for _, one := range all {
				loose, err := json.Marshal(one)
				if !yield(json.RawMessage(loose), err) {
					return
				}
			}
		})
		if raw := []json.RawMessage{}; json.Unmarshal(got.Bytes(), &raw) != nil || len(raw) != len(all) {
			rt.Errorf("%s is no list of %d", got.Bytes(), len(all))
		}
		if plain := unescaped(want); err != nil || unescaped(got.Bytes()) != plain {
			rt.Errorf("%s, %v; want %s", got.Bytes(), err, want)
		}
	})
}

// unescaped is a text without the escapes that json.Marshal writes for browsers.
func unescaped(text []byte) string {
	return strings.NewReplacer(`\u003c`, "<", `\u003e`, ">", `\u0026`, "&").Replace(string(text))
}

func TestChainsEntryByEntryAreTheWhole(t *testing.T) {
	entry := recordchain.Proof{Stream: "fittings", Position: 3, Said: []recordchain.Said{{Name: "why", Value: "a < b & c"}}}
	head := recordpack.Head{Stream: "fittings", Position: 4, Hash: hex.EncodeToString([]byte{1, 2})}
	for name, c := range map[string]recordpack.Chains{
		"none": {}, "empty": {Entries: []recordchain.Proof{}, Heads: []recordpack.Head{}}, "heads": {Heads: []recordpack.Head{head}},
		"one": {Entries: []recordchain.Proof{entry}}, "some": {Entries: []recordchain.Proof{entry, entry, {}}, Heads: []recordpack.Head{head, {}}},
	} {
		want, err := recordpack.JSON(c)
		if err != nil {
			t.Fatal(err)
		}
		var got bytes.Buffer
		if err := recordpack.WriteChains(&got, c); err != nil || !bytes.Equal(got.Bytes(), want) {
			t.Errorf("%s: %v\n%s\nwant\n%s", name, err, got.Bytes(), want)
		}
	}
	gone := errors.New("the disk is gone")
	for most := range 60 {
		if err := recordpack.WriteChains(&short{left: most, err: gone}, recordpack.Chains{Entries: []recordchain.Proof{entry}}); !errors.Is(err, gone) {
			t.Errorf("a writer that takes %d bytes: %v", most, err)
		}
	}
}

// short takes so many bytes and then no more.
type short struct {
	left int
	err  error
}

func (s *short) Write(content []byte) (int, error) {
	if len(content) > s.left {
		return 0, s.err
	}
	s.left -= len(content)
	return len(content), nil
}
