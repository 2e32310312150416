package clock_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"coldsection.example/services/platform/clock"
)

var start = time.Date(2026, 3, 29, 0, 30, 0, 0, time.UTC)

func TestFakeMovesOnlyWhenTold(t *testing.T) {
	c := clock.NewFake(start)
	woken := c.After(time.Hour)
	c.Advance(59 * time.Minute)
	select {
	case <-woken:
		t.Fatal("woken a minute early")
	default:
	}
	c.Advance(time.Minute)
	if got := <-woken; !got.Equal(start.Add(time.Hour)) {
		t.Errorf("woken with %v", got)
	}
	if got := <-c.After(0); !got.Equal(c.Now()) {
		t.Errorf("no wait gave %v", got)
	}
}

func TestTimesAreUTCMicroseconds(t *testing.T) {
	oslo := time.FixedZone("", 7200)
	fake := clock.NewFake(start.Add(1234 * time.Nanosecond).In(oslo))
	for name, now := range map[string]time.Time{"system": clock.System().Now(), "fake": fake.Now()} {
		if now.Location() != time.UTC || now.Nanosecond()%1000 != 0 {
			t.Errorf("%s: %v", name, now)
		}
	}
}

func TestFilesShareACalendar(t *testing.T) {
	path := filepath.Join(t.TempDir(), "clock")
	a, err := clock.FromFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := a.Now().Sub(clock.System().Now()).Abs(); d > time.Minute {
		t.Fatalf("without a file it is off by %v", d)
	}
	if err := clock.SetFile(path, start); err != nil {
		t.Fatal(err)
	}
	b, err := clock.FromFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for deadline := b.Now().Add(10 * time.Second); a.Now().Sub(b.Now()).Abs() > time.Minute; {
		if b.Now().After(deadline) {
			t.Fatalf("a shows %v, b shows %v", a.Now(), b.Now())
		}
	}
	if d := b.Now().Sub(start); d < 0 || d > time.Minute {
		t.Errorf("off by %v", d)
	}
}

func TestChangesThatFollowAtOnceAreAllSeen(t *testing.T) {
	path := filepath.Join(t.TempDir(), "clock")
	c, err := clock.FromFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 200 {
		at := start.AddDate(0, 0, i)
		if err := clock.SetFile(path, at); err != nil {
			t.Fatal(err)
		}
		if d := c.Now().Sub(at); d < 0 || d > time.Hour {
			t.Fatalf("change %d was not seen: %v instead of %v", i, c.Now(), at)
		}
	}
}

func TestFileThatIsNoDurationIsAnError(t *testing.T) {
	path := filepath.Join(t.TempDir(), "clock")
	if err := os.WriteFile(path, []byte("noon\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := clock.FromFile(path); err == nil {
		t.Error("accepted")
	}
}
