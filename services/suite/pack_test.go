package suite_test

import (
	"bytes"
	"crypto/ed25519"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"coldsection.example/services/platform/recordpack"
	"coldsection.example/services/suite"
)

// A pack is checked by one command without a suite, which names what is wrong and fails (check QUA-02).
func TestVerifyingARecordPack(t *testing.T) {
	key := ed25519.NewKeyFromSeed(bytes.Repeat([]byte{7}, ed25519.SeedSize))
	pack, err := recordpack.Make(recordpack.About{Number: "RP-1", Subject: "engines/one"}, []recordpack.File{{Path: "records.csv", Content: []byte("a\r\n1\r\n")}}, key)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "pack.zip")
	verify := func(content []byte, args ...string) (int, string) {
		t.Helper()
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		return suite.Main(append([]string{"pack", "verify", path}, args...), &out, &out), out.String()
	}
	if code, out := verify(pack); code != 0 || !strings.Contains(out, "RP-1") || !strings.Contains(out, recordpack.PublicKey(key)) {
		t.Errorf("%d %s", code, out)
	}
	if code, out := verify(pack, "--key", recordpack.PublicKey(key)); code != 0 || strings.Contains(out, "ask, and give it") {
		t.Errorf("%d %s", code, out)
	}
	if code, out := verify(pack, "--key", strings.Repeat("00", 32)); code != 3 || !strings.Contains(out, "seal.json") {
		t.Errorf("%d %s", code, out)
	}
	if code, out := verify(bytes.Replace(pack, []byte("a\r\n1"), []byte("a\r\n2"), 1)); code != 3 || !strings.Contains(out, "records.csv") {
		t.Errorf("%d %s", code, out)
	}
	if code, _ := verify([]byte("no pack")); code != 3 {
		t.Error("what is no pack verifies")
	}
}
