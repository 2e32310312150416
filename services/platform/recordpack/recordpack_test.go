package recordpack_test

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/recordpack"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/platform/storage/storagetest"
)

var (
	key    = ed25519.NewKeyFromSeed(bytes.Repeat([]byte{7}, ed25519.SeedSize))
	public = hex.EncodeToString(key[ed25519.SeedSize:])
	about  = recordpack.About{Number: "RP-1", Subject: "engines/one", Label: "D-1001", AsOf: "2026-03-02T09:00:00Z", KnownAt: "2026-03-02T09:00:00Z"}
)

var nine = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

// chained is a chain file with two entries of a stream of three, as a database gave it.
func chained(t *testing.T, db *storage.DB, at time.Time) recordpack.Chains {
	t.Helper()
	var c recordpack.Chains
	if err := db.Update(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
		for i, subject := range []string{"a", "other", "b"} {
			if _, _, err := recordchain.Append(ctx, tx, recordchain.Entry{
				Stream: "s", Kind: "done", Subject: subject, At: at.Add(time.Duration(i) * time.Hour), Actor: "accounts/ada", Fields: []recordchain.Field{{Name: "hours", Value: fmt.Sprint(i)}},
			}); err != nil {
				return err
			}
		}
		var err error
		if c.Entries, err = recordchain.Proofs(ctx, tx, "s", []string{"a", "b", "missing"}, at.Add(time.Hour*5)); err != nil {
			return err
		}
		h := recordpack.Head{Stream: "s"}
		h.Position, h.Hash, err = recordchain.Last(ctx, tx, "s", at.Add(time.Hour*5))
		c.Heads = append(c.Heads, h)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return c
}

func files(t *testing.T, c recordpack.Chains) []recordpack.File {
	t.Helper()
	chain, err := recordpack.JSON(c)
	if err != nil {
		t.Fatal(err)
	}
	return []recordpack.File{
		{Path: "records.csv", MediaType: "text/csv", Content: []byte("subject,done\r\nengines/one,2026-03-02\r\n")},
		{Path: recordpack.ChainFile, MediaType: "application/json", Content: chain},
	}
}

func made(t *testing.T, all []recordpack.File) []byte {
	t.Helper()
	pack, err := recordpack.Make(about, all, key)
	if err != nil {
		t.Fatal(err)
	}
	return pack
}

func faults(r *recordpack.Report) string {
	var all []string
	for _, f := range r.Faults {
		all = append(all, f.String())
	}
	return strings.Join(all, "\n")
}

// A pack verifies from its bytes alone, and with any one bit of any byte flipped it does not; where that bit is in a file, the file is named
// (check QUA-02).
func TestNoBitOfAPackChangesUnseen(t *testing.T) {
	storagetest.Engines(t, storage.Migrations{}, func(t *testing.T, db *storage.DB) {
		c := chained(t, db, nine)
		if len(c.Entries) != 2 || c.Entries[1].Position != 3 || c.Heads[0].Position != 3 || c.Heads[0].Hash != c.Entries[1].Hash {
			t.Fatalf("%+v", c)
		}
		pack := made(t, files(t, c))
		r := recordpack.Verify(pack, public)
		if len(r.Faults) > 0 || r.Files != 2 || r.Entries != 2 || r.Key != public || r.About != about {
			t.Fatalf("%+v", r)
		}
		where := ranges(t, bytes.Clone(pack))
		for at := range pack {
			pack[at] ^= 1 << (at % 8)
			r := recordpack.Verify(pack, "")
			if len(r.Faults) == 0 {
				t.Errorf("nobody saw the flip at %d", at)
			}
			if want := where(at); want != "" && !slices.ContainsFunc(r.Faults, func(f recordpack.Fault) bool { return f.Path == want }) {
				t.Errorf("the flip at %d is in %s, and it says %s", at, want, faults(r))
			}
			pack[at] ^= 1 << (at % 8)
		}
	})
}

// ranges tells the file that a byte of a pack is in, "" outside of files.
func ranges(t *testing.T, pack []byte) func(at int) string {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(pack), int64(len(pack)))
	if err != nil {
		t.Fatal(err)
	}
	return func(at int) string {
		for _, f := range z.File {
			from, err := f.DataOffset()
			if err != nil {
				t.Fatal(err)
			}
			if int64(at) >= from && int64(at) < from+int64(f.UncompressedSize64) {
				return f.Name
			}
		}
		return ""
	}
}

// rezipped is the pack as somebody with a ZIP program would leave it: change gives the new bytes of a file, nil takes it out.
func rezipped(t *testing.T, pack []byte, change func(name string, content []byte) []byte) []byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(pack), int64(len(pack)))
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	w := zip.NewWriter(&out)
	for _, f := range z.File {
		var content bytes.Buffer
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := content.ReadFrom(in); err != nil {
			t.Fatal(err)
		}
		fresh := change(f.Name, content.Bytes())
		if fresh == nil {
			continue
		}
		to, err := w.CreateRaw(&zip.FileHeader{
			Name: f.Name, CRC32: crc32.ChecksumIEEE(fresh), CompressedSize64: uint64(len(fresh)), UncompressedSize64: uint64(len(fresh)),
		})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := to.Write(fresh); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// Whoever changes a pack with care, check sums and all, is seen too, and the file is named.
func TestCarefulChangesAreSeen(t *testing.T) {
	storagetest.Engines(t, storage.Migrations{}, func(t *testing.T, db *storage.DB) {
		c := chained(t, db, nine)
		pack := made(t, files(t, c))
		swap := func(file, was, is string) func(string, []byte) []byte {
			return func(name string, content []byte) []byte {
				if name == file {
					return bytes.Replace(content, []byte(was), []byte(is), 1)
				}
				return content
			}
		}
		sum := recordpack.Sum
		changed := bytes.Replace(files(t, c)[0].Content, []byte("03-02"), []byte("03-01"), 1)
		both := func(name string, content []byte) []byte { // a record and its hash in the list
			content = swap("records.csv", "03-02", "03-01")(name, content)
			return swap(recordpack.Manifest, sum(files(t, c)[0].Content), sum(changed))(name, content)
		}
		for name, one := range map[string]struct {
			change func(string, []byte) []byte
			want   string
		}{
			"a record":                {swap("records.csv", "03-02", "03-01"), "records.csv: it has"},
			"a record and its hash":   {both, "manifest.json: its SHA-256 is"},
			"the subject":             {swap(recordpack.Manifest, "engines/one", "engines/two"), "manifest.json: its SHA-256 is"},
			"a file taken out":        {func(name string, b []byte) []byte { return keep(name != "records.csv", b) }, "records.csv: it is missing"},
			"the seal taken out":      {func(name string, b []byte) []byte { return keep(name != recordpack.SealFile, b) }, "seal.json: it is missing"},
			"the list taken out":      {func(name string, b []byte) []byte { return keep(name != recordpack.Manifest, b) }, "manifest.json: it is missing"},
			"a file under a new name": {func(_ string, b []byte) []byte { return b }, ": the archive around it"},
		} {
			if r := recordpack.Verify(rezipped(t, pack, one.change), ""); !strings.Contains(faults(r), one.want) {
				t.Errorf("%s: %s", name, faults(r))
			}
		}
		// A liar who seals anew needs another key.
		other, err := recordpack.Make(about, files(t, c), ed25519.NewKeyFromSeed(bytes.Repeat([]byte{8}, ed25519.SeedSize)))
		if r := recordpack.Verify(other, public); err != nil || !strings.Contains(faults(r), "seal.json: it was sealed with key") {
			t.Error(faults(r), err)
		}
		c.Entries[0].Said[2].Value = "2020-01-01T00:00:00Z"
		if r := recordpack.Verify(made(t, files(t, c)), public); !strings.Contains(faults(r), "chain.json: s 1: it says") {
			t.Error(faults(r))
		}
		c = chained(t, db, nine.Add(3*time.Hour)) // nothing is signed with an earlier time than before
		c.Entries[1].Payload = c.Entries[0].Payload
		if r := recordpack.Verify(made(t, files(t, c)), public); !strings.Contains(faults(r), "chain.json: s 3: its hash does not follow") {
			t.Error(faults(r))
		}
	})
}

func keep(there bool, content []byte) []byte {
	if there {
		return content
	}
	return nil
}

// Equal records give equal packs (check QUA-04), and another program unpacks them.
func TestPacksAreRepeatableAndUnpackElsewhere(t *testing.T) {
	all := []recordpack.File{{Path: "a.csv", Content: []byte("x\r\n1\r\n")}, {Path: "b.json", Content: []byte("{}\n")}}
	pack := made(t, all)
	if again := made(t, all); !bytes.Equal(pack, again) || recordpack.ContentHash(all) != recordpack.ContentHash(slices.Clone(all)) {
		t.Error("the same files give another pack")
	}
	path := filepath.Join(t.TempDir(), "pack.zip")
	if err := os.WriteFile(path, pack, 0o600); err != nil {
		t.Fatal(err)
	}
	const script = "import sys,zipfile\nz=zipfile.ZipFile(sys.argv[1])\nprint(z.testzip(),z.read('a.csv'),len(z.namelist()))"
	out, err := exec.CommandContext(t.Context(), "python3", "-c", script, path).CombinedOutput()
	if err != nil || strings.TrimSpace(string(out)) != `None b'x\r\n1\r\n' 4` {
		t.Errorf("%s %v", out, err)
	}
	for _, bad := range []string{"", "A.csv", "../a", "a/b", ".a", recordpack.Manifest, recordpack.SealFile, "a.csv"} {
		if _, err := recordpack.Make(about, append(slices.Clone(all), recordpack.File{Path: bad}), key); err == nil {
			t.Errorf("%q is taken for a name", bad)
		}
	}
}

// What is no pack is said to be none, and never crashes the reader.
func FuzzVerify(f *testing.F) {
	pack, err := recordpack.Make(about, []recordpack.File{{Path: "a.csv", Content: []byte("x")}}, key)
	if err != nil {
		f.Fatal(err)
	}
	f.Add([]byte{})
	f.Add(pack[:len(pack)-1])
	f.Add(append([]byte("x"), pack...))
	f.Fuzz(func(t *testing.T, data []byte) {
		if r := recordpack.Verify(data, public); len(r.Faults) == 0 && !bytes.Equal(data, pack) {
			t.Errorf("%d bytes that nobody sealed verify", len(data))
		}
	})
}

// A pack whose maker sealed entries that stand in the wrong order, twice, past the end of their chain or under another end of it is found out, entry by
// entry; one with two streams side by side is sound.
func TestEntriesStandInTheOrderOfTheirChain(t *testing.T) {
	storagetest.Engines(t, storage.Migrations{}, func(t *testing.T, db *storage.DB) {
		sound := chained(t, db, nine)
		with := func(change func(*recordpack.Chains)) recordpack.Chains {
			c := recordpack.Chains{Entries: slices.Clone(sound.Entries), Heads: slices.Clone(sound.Heads)}
			change(&c)
			return c
		}
		for name, c := range map[string]struct {
			chains recordpack.Chains
			want   string
		}{
			"as it is":          {sound, ""},
			"the wrong order":   {with(func(c *recordpack.Chains) { slices.Reverse(c.Entries) }), "s 1: it does not stand behind the one before"},
			"twice":             {with(func(c *recordpack.Chains) { c.Entries = append(c.Entries, c.Entries[1]) }), "s 3: it does not stand behind the one before"},
			"past the end":      {with(func(c *recordpack.Chains) { c.Heads[0].Position = 2 }), "s 3: the chain ends at 2"},
			"another end":       {with(func(c *recordpack.Chains) { c.Heads[0].Hash = c.Entries[0].Hash }), "s 3: the chain ends with another hash"},
			"no end":            {with(func(c *recordpack.Chains) { c.Heads = nil }), "s 1: the chain ends at 0"},
			"none of its words": {with(func(c *recordpack.Chains) { c.Entries = nil }), ""},
		} {
			r := recordpack.Verify(made(t, files(t, c.chains)), recordpack.PublicKey(key))
			if got := faults(r); (got == "") != (c.want == "") || !strings.Contains(got, c.want) || r.Entries != len(c.chains.Entries) {
				t.Errorf("%s: %q, want %q; %d entries", name, got, c.want, r.Entries)
			}
		}
	})
}
