package accounts

import (
	"encoding/base32"
	"strings"
	"testing"
	"time"

	"github.com/pquerna/otp/hotp"
)

// RFC 6238 appendix B, SHA-1; its eight digits end in the six that apps show (RFC 4226 section 5.3).
func TestCodesAreThoseOfRFC6238(t *testing.T) {
	secret := base32.StdEncoding.EncodeToString([]byte("12345678901234567890"))
	for at, code := range map[int64]string{
		59: "94287082", 1111111109: "07081804", 1111111111: "14050471", 1234567890: "89005924", 2000000000: "69279037", 20000000000: "65353130",
	} {
		got, ok := stepOf(secret, code[2:], time.Unix(at, 0), 0)
		if !ok || got != at/30 {
			t.Errorf("%s at %d: step %d, %v", code, at, got, ok)
		}
	}
}

func TestACodeCountsOnceAndOneStepAround(t *testing.T) {
	secret := base32.StdEncoding.EncodeToString([]byte("12345678901234567890"))
	const code, at = "081804", 1111111109 // step 37037036, which ends a second later
	for shift, want := range map[int64]bool{-60: false, -30: true, 0: true, 30: true, 31: false, 61: false} {
		if _, ok := stepOf(secret, code, time.Unix(at+shift, 0), 0); ok != want {
			t.Errorf("%d s later: %v", shift, ok)
		}
	}
	for last, want := range map[int64]bool{at/30 - 1: true, at / 30: false, at/30 + 1: false} {
		if _, ok := stepOf(secret, code, time.Unix(at, 0), last); ok != want {
			t.Errorf("after step %d: %v", last, ok)
		}
	}
	if _, ok := stepOf(secret, "", time.Unix(at, 0), 0); ok {
		t.Error("no code is a code")
	}
}

// Whatever somebody types for a code, it counts only when it is the six digits of a step that is near and later than the last one.
func FuzzOnlyTheCodeOfAStepCounts(f *testing.F) {
	secret := base32.StdEncoding.EncodeToString([]byte("12345678901234567890"))
	for _, code := range []string{"081804", "08180", "0818044", " 081804", "081804\n", "٠٨١٨٠٤", "", "000000", "-81804", "0x1804", "07081804"} {
		f.Add(code, int64(1111111109), int64(0))
	}
	f.Add("081804", int64(-1), int64(-1<<63))
	f.Fuzz(func(t *testing.T, code string, at, last int64) {
		got, ok := stepOf(secret, code, time.Unix(at, 0), last)
		if !ok {
			return
		}
		want, err := hotp.GenerateCode(secret, uint64(got))
		if near := at / 30; err != nil || strings.TrimSpace(code) != want || got <= last || got < near-1 || got > near+1 {
			t.Errorf("%q counts at %d as step %d after %d; the code is %s, %v", code, at, got, last, want, err)
		}
	})
}
