package workorders_test

import (
	"flag"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/services/platform/storage"
)

// lanes are the stages on which walks go side by side.
const lanes = 4

// asked is how many walks a test makes: in every run as many as take seconds, in a night any number, such as by
//
//	COLDSECTION_TEST_WALKS=10000 go test -timeout 2h -run OverTheWire ./services/workorders
func asked(t *testing.T, usual int) int {
	t.Helper()
	text := os.Getenv("COLDSECTION_TEST_WALKS")
	if text == "" {
		return usual
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		t.Fatalf("COLDSECTION_TEST_WALKS is %q; give how many walks to make", text)
	}
	return n
}

// tally counts what happened on all lanes.
type tally struct {
	mu sync.Mutex
	n  map[string]int
}

func (c *tally) add(what string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.n[what]++
}

// wander makes random walks, each on an order of its own, on stages that are prepared alike. It counts them itself, since a run that is
// short of time makes fewer without a word.
func wander(t *testing.T, walks int, prepare func(s *stage), walk func(t *rapid.T, s *stage)) {
	t.Helper()
	made := tally{n: map[string]int{}}
	round, err := strconv.Atoi(flag.Lookup("rapid.checks").Value.String())
	if err != nil || round < 1 {
		t.Fatalf("the library makes %d walks at once: %v", round, err)
	}
	t.Run("lanes", func(t *testing.T) {
		for lane := range lanes {
			t.Run(strconv.Itoa(lane), func(t *testing.T) {
				t.Parallel()
				s := open(t, storage.Config{Engine: storage.SQLite, Path: filepath.Join(t.TempDir(), "w.db")})
				s.place()
				prepare(s)
				for range (walks/lanes + round - 1) / round {
					rapid.Check(t, func(t *rapid.T) {
						walk(t, s)
						made.add("walks")
					})
				}
			})
		}
	})
	if made.n["walks"] < walks {
		t.Errorf("%d walks were made of %d", made.n["walks"], walks)
	}
	t.Logf("%d walks", made.n["walks"])
}
