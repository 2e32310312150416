package recordpack_test

import (
	"bytes"
	"fmt"
	"os"
	"runtime"
	"slices"
	"testing"

	"coldsection.example/services/platform/recordpack"
)

// thing is the n-th thing of a spool: some are empty, some long.
func thing(n int) []byte { return bytes.Repeat([]byte{byte(n)}, n*37%4_096) }

// A spool gives what was put into it in its order, as often as one asks, and more can be added meanwhile; also from its file, which has no name.
func TestASpoolGivesWhatItWasGiven(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	for _, count := range []int{0, 1, 3, 5_000} { // the last ones are ten megabytes
		s := &recordpack.Spool{}
		for round := range 2 {
			for i := range count {
				if err := s.Add(thing(round*count + i)); err != nil {
					t.Fatal(err)
				}
			}
			for range 2 {
				at := 0
				for content, err := range s.All() {
					if err != nil || !bytes.Equal(content, thing(at)) {
						t.Fatalf("thing %d of %d: %d bytes, %v; want %d", at, count, len(content), err, len(thing(at)))
					}
					at++
				}
				if want := (round + 1) * count; at != want || s.Len() != want {
					t.Errorf("%d things were read, %d are said to be there; want %d", at, s.Len(), want)
				}
			}
		}
		if left, err := os.ReadDir(os.TempDir()); err != nil || len(left) > 0 {
			t.Errorf("the file has a name: %v, %v", left, err)
		}
		if err := s.Close(); err != nil || s.Len() != 0 {
			t.Errorf("closed, %d things are there, %v", s.Len(), err)
		}
	}
}

// What is spooled is not held.
func TestASpoolHoldsLittle(t *testing.T) {
	live := func() uint64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	before, s := live(), &recordpack.Spool{}
	for i := range 16_000 { // 32 MB
		if err := s.Add(thing(i)); err != nil {
			t.Fatal(err)
		}
	}
	if held := live() - before; held > 4<<20 {
		t.Errorf("%d bytes are held", held)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

// Where no file can be made, that is said, and nothing is lost unseen.
func TestASpoolWithoutAPlaceForItsFileFails(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir()+"/missing")
	s, errs := &recordpack.Spool{}, []error{}
	for i := range 1_000 {
		errs = append(errs, s.Add(thing(i)))
	}
	if !slices.ContainsFunc(errs, func(err error) bool { return err != nil }) {
		t.Error("two megabytes were taken")
	}
	for content, err := range s.All() {
		if err != nil {
			t.Fatal(fmt.Errorf("%d bytes: %w", len(content), err))
		}
	}
}
