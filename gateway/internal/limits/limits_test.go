package limits_test

import (
	"fmt"
	"net/netip"
	"testing"
	"time"

	"coldsection.example/gateway/internal/limits"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
)

var start = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)

func TestABucketFillsAsTimeGoesBy(t *testing.T) {
	clk := clock.NewFake(start)
	l := limits.New(clk, 5)
	taken := func() (n int) {
		for l.Take(t.Context(), "a") == nil {
			n++
		}
		return n
	}
	if n := taken(); n != 25 {
		t.Errorf("%d at once, want five seconds' worth: 25", n)
	}
	err := l.Take(t.Context(), "a")
	f, _ := fault.As(err)
	if f == nil || f.Reason != "TOO_MANY_CALLS" || f.Category != fault.ResourceExhausted || f.Metadata["retry_after_seconds"] != "1" {
		t.Errorf("got %+v", f)
	}
	if err := l.Take(t.Context(), "b"); err != nil {
		t.Errorf("another caller: %v", err)
	}
	clk.Advance(2 * time.Second)
	if n := taken(); n != 10 {
		t.Errorf("%d two seconds later, want 10", n)
	}
}

// With the defaults of the command line, a program that reads a hundred thousand things one by one, a call in each millisecond, is never
// held up; ten thousand calls at once are (case C20).
func TestTheDefaultsLetABulkClientWork(t *testing.T) {
	const perSecond = 1000 // that of calls-per-second
	clk := clock.NewFake(start)
	l := limits.New(clk, perSecond)
	for n := range 100_000 {
		if err := l.Take(t.Context(), "erp"); err != nil {
			t.Fatalf("call %d: %v", n, err)
		}
		clk.Advance(time.Millisecond)
	}
	refused := 0
	for range 10_000 {
		if l.Take(t.Context(), "erp") != nil {
			refused++
		}
	}
	if refused != 5000 {
		t.Errorf("%d of 10,000 at once were refused, want 5000", refused)
	}
}

func TestNoLimit(t *testing.T) {
	if err := limits.New(clock.NewFake(start), 0).Take(t.Context(), "a"); err != nil {
		t.Error(err)
	}
}

// Ten thousand addresses more than are kept make neither room nor memory: they share a bucket.
func TestCallersWithoutNumberShareABucket(t *testing.T) {
	clk := clock.NewFake(start)
	l, refused := limits.New(clk, 1), 0
	for i := range 20_000 {
		if l.Take(t.Context(), fmt.Sprint(i)) != nil {
			refused++
		}
	}
	if want := 10_000 - 5; refused != want {
		t.Errorf("%d refused, want %d: those beyond have five calls together", refused, want)
	}
	clk.Advance(time.Minute)
	for range 2 {
		if err := l.Take(t.Context(), "a new one"); err != nil {
			t.Errorf("once the others are quiet: %v", err)
		}
	}
}

// Faults C21.
func TestOnlyAProxyOfOursIsBelieved(t *testing.T) {
	ours := limits.Proxies{netip.MustParsePrefix("10.0.0.0/8")}
	for _, c := range []struct {
		connection, forwarded, want string
	}{
		{"203.0.113.7:4711", "", "203.0.113.7"},
		{"203.0.113.7:4711", "198.51.100.1", "203.0.113.7"}, // forged: the connection is no proxy
		{"10.1.2.3:4711", "198.51.100.1", "198.51.100.1"},
		{"10.1.2.3:4711", "192.0.2.9, 198.51.100.1", "198.51.100.1"},           // the caller wrote the first itself
		{"10.1.2.3:4711", "192.0.2.9, 198.51.100.1, 10.9.9.9", "198.51.100.1"}, // two proxies of ours
		{"10.1.2.3:4711", "192.0.2.9, nonsense", "10.1.2.3"},
		{"10.1.2.3:4711", "", "10.1.2.3"},
		{"[2001:db8:1:2:3::9]:4711", "", "2001:db8:1:2::/64"},
		{"[::ffff:203.0.113.7]:4711", "", "203.0.113.7"},
	} {
		if got := ours.Caller(c.connection, []string{c.forwarded}); got != c.want {
			t.Errorf("%s with %q is %s, want %s", c.connection, c.forwarded, got, c.want)
		}
	}
	if got := limits.Proxies(nil).Caller("10.1.2.3:1", []string{"192.0.2.9"}); got != "10.1.2.3" {
		t.Errorf("without proxies %s", got)
	}
}
