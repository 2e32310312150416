package eventbus_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"coldsection.example/services/platform/eventbus"
)

// block is the file of a stream's folder that holds its facts, as long as there are few.
const block = "jetstream/$G/streams/COLDSECTION/msgs/1.blk"

// told are the ids of all facts of a stream.
func told(t *testing.T, bus *eventbus.Bus) (ids []string) {
	t.Helper()
	facts, _, err := bus.Feed(t.Context(), eventbus.FeedQuery{Limit: 1000})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range facts {
		ids = append(ids, f.ID)
	}
	return ids
}

// Power cut: the stream's file ends at any byte, or goes on with zeros or noise. Every fact that was acknowledged before the tear is there, in
// order, and nothing of what is behind it; and when the outbox sends everything again, each is there once.
func TestATornStreamKeepsEveryFactBeforeTheTear(t *testing.T) {
	const facts = 30
	whole := t.TempDir()
	bus, err := eventbus.Open(t.Context(), eventbus.Config{Dir: whole})
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	var at []int // how long the file was when each fact was acknowledged
	for i := range facts {
		id := fmt.Sprintf("f%03d", i)
		publish(t, bus, issued(id, "lots/a", int64(i+1)))
		info, err := os.Stat(filepath.Join(whole, block))
		if err != nil {
			t.Fatal(err)
		}
		ids, at = append(ids, id), append(at, int(info.Size()))
	}
	dark := t.TempDir() // as the files are when the power goes
	if err := os.CopyFS(filepath.Join(dark, "events"), os.DirFS(whole)); err != nil {
		t.Fatal(err)
	}
	bus.Close()
	text, err := os.ReadFile(filepath.Join(dark, "events", block))
	if err != nil {
		t.Fatal(err)
	}
	for i := range 18 {
		cut := at[0] + rand.IntN(at[facts-1]-at[0])
		torn := slices.Clone(text[:cut])
		switch i % 3 {
		case 1:
			torn = append(torn, make([]byte, len(text)-cut)...)
		case 2:
			for range min(512, len(text)-cut) {
				torn = append(torn, byte(rand.IntN(256)))
			}
		}
		before, _ := slices.BinarySearch(at, cut+1)
		tornStream(t, filepath.Join(dark, "events"), torn, ids, before)
	}
}

// tornStream opens a copy of a stream whose file is torn behind so many facts.
func tornStream(t *testing.T, folder string, torn []byte, ids []string, before int) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "events")
	if err := os.CopyFS(dir, os.DirFS(folder)); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, block), torn, 0o600); err != nil {
		t.Fatal(err)
	}
	bus, err := eventbus.Open(t.Context(), eventbus.Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	defer bus.Close()
	if got := told(t, bus); !slices.Equal(got, ids[:before]) {
		t.Errorf("torn at byte %d: the facts %v are there, want the first %d", len(torn), got, before)
	}
	for i, id := range ids {
		publish(t, bus, issued(id, "lots/a", int64(i+1)))
	}
	if got := told(t, bus); !slices.Equal(got, ids) {
		t.Errorf("torn at byte %d and sent again: %v", len(torn), got)
	}
}
