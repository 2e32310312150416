package rest

import (
	"net/http"
	"testing"
	"time"

	"coldsection.example/services/platform/rpc"
)

// The time of a request is what its caller gives it, in gRPC's form; what is none is refused later, and has the usual time until then.
func TestARequestHasTheTimeThatItsCallerGives(t *testing.T) {
	for given, want := range map[string]time.Duration{
		"": rpc.DefaultDeadline, "2S": 2 * time.Second, "100m": 100 * time.Millisecond, "5M": 5 * time.Minute, "9H": 10 * time.Minute, "99999999H": 10 * time.Minute,
		"1n": time.Nanosecond, "0S": 0, "S": rpc.DefaultDeadline, "2": rpc.DefaultDeadline, "-1S": rpc.DefaultDeadline, "1.5S": rpc.DefaultDeadline, "123456789S": rpc.DefaultDeadline,
		"2s": rpc.DefaultDeadline,
	} {
		r := &http.Request{Header: http.Header{"Grpc-Timeout": {given}}}
		if got := timeOf(r); got != want {
			t.Errorf("%q gives %v, want %v", given, got, want)
		}
	}
}

// Whatever stands in the header, a request gets no time below zero and none beyond the longest, and what gRPC's form allows is read exactly.
func FuzzTheTimeOfARequestIsBounded(f *testing.F) {
	for _, given := range []string{"", "2S", "99999999H", "0n", "-1S", "1e9S", "9\u0661S", " 2S", "2 S", "00000001S", "18446744073709551615n"} {
		f.Add(given)
	}
	f.Fuzz(func(t *testing.T, given string) {
		got := timeOf(&http.Request{Header: http.Header{"Grpc-Timeout": {given}}})
		if got < 0 || got > 10*time.Minute {
			t.Errorf("%q gives %v", given, got)
		}
	})
}
