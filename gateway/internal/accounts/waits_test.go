package accounts

import (
	"testing"
	"time"
)

func TestWaitsDoubleUpToAQuarterOfAnHour(t *testing.T) {
	for failures, want := range map[int64]time.Duration{
		0: 0, 4: 0, 5: time.Second, 6: 2 * time.Second, 7: 4 * time.Second, 14: 512 * time.Second, 15: 15 * time.Minute,
		16: 15 * time.Minute, 1 << 62: 15 * time.Minute,
	} {
		if got := waitAfter(failures); got != want {
			t.Errorf("after %d wrong passwords: %v, want %v", failures, got, want)
		}
	}
}
