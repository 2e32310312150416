package accounts

import (
	"testing"
	"time"
)

func TestWaitsDoubleUpToAQuarterOfAnHour(t *testing.T) {
	for failures, want := range map[int64]time.Duration{
		0: 0, 9: 0, 10: time.Second, 11: 2 * time.Second, 12: 4 * time.Second, 19: 512 * time.Second, 20: 15 * time.Minute,
		21: 15 * time.Minute, 1 << 62: 15 * time.Minute,
	} {
		if got := waitAfter(failures); got != want {
			t.Errorf("after %d wrong passwords: %v, want %v", failures, got, want)
		}
	}
}
