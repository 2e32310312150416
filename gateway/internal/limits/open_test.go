package limits_test

import (
	"testing"

	"pgregory.net/rapid"

	"coldsection.example/gateway/internal/limits"
	"coldsection.example/services/platform/fault"
)

// However streams are opened and closed, also twice, a caller is refused exactly when it has as many open as it may, whatever others have.
func TestACallerHasSoManyStreamsOpen(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		open, have := limits.NewStreams(), map[string][]func(){}
		for range rapid.IntRange(1, 120).Draw(t, "steps") {
			caller := rapid.SampledFrom([]string{"accounts/a", "accounts/b"}).Draw(t, "caller")
			if mine := have[caller]; len(mine) > 0 && rapid.IntRange(0, 3).Draw(t, "close") == 0 {
				last := len(mine) - 1
				mine[last]()
				mine[last]()
				have[caller] = mine[:last]
				continue
			}
			leave, err := open.Enter(caller)
			if full := len(have[caller]) == limits.MostStreams; full != fault.HasReason(err, "TOO_MANY_STREAMS") {
				t.Fatalf("with %d open: %v", len(have[caller]), err)
			}
			if err == nil {
				have[caller] = append(have[caller], leave)
			}
		}
	})
}
