// Package recordpack makes and checks record packs: one file that holds records for people who were not there, years later, without
// the suite and without a network.
//
// A pack is a ZIP archive of uncompressed files. Manifest names each with its length and SHA-256; Seal signs the manifest
// (Ed25519, RFC 8032); the archive's own bytes follow from what is in it, so that no bit of a pack can change unseen. The same
// files give the same bytes. A chain file among them carries entries of record chains, each of which proves itself.
package recordpack

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
)

// Format is the first field of every manifest. A pack that is laid out in another way gets another one.
const Format = "coldsection-record-pack/1"

// The files that every pack has beside those that were put into it.
const (
	Manifest  = "manifest.json"
	SealFile  = "seal.json"
	ChainFile = "chain.json" // where there is one, Verify checks its entries
)

// File is a file of a pack, held or Streamed.
type File struct {
	Path      string // lower-case letters, digits, ".", "-" and "_"
	MediaType string
	Content   []byte

	streamed *streamed
}

// About says what a pack is of. It is the same for the same records, so nothing in it tells when the pack was made.
type About struct {
	Number  string `json:"number"`     // printed on every page
	Subject string `json:"subject"`    // the resource
	Label   string `json:"label"`      // how people call it
	AsOf    string `json:"as_of_time"` // RFC 3339: as it was then
	KnownAt string `json:"known_at_time"`
}

// manifest is the list of a pack's files.
type manifest struct {
	Format string   `json:"format"`
	About           //nolint:embeddedstructfieldcheck // the format stands first in the file, so that a reader knows what follows
	Files  []listed `json:"files"`
}

type listed struct {
	Path      string `json:"path"`
	MediaType string `json:"media_type"`
	Bytes     int    `json:"bytes"`
	SHA256    string `json:"sha256"`
}

// seal is the signature under a manifest.
type seal struct {
	Algorithm string `json:"algorithm"`
	PublicKey string `json:"public_key"`
	Manifest  string `json:"manifest_sha256"`
	Signature string `json:"signature"` // of Format, a line end and Manifest
}

const algorithm = "Ed25519"

// Sum is the SHA-256 of bytes, in hexadecimal.
func Sum(content []byte) string {
	sum := sha256.Sum256(content)
	return hex.EncodeToString(sum[:])
}

// ContentHash is the SHA-256 of the names and hashes of files, in their order: equal for equal records.
func ContentHash(files []File) string {
	var all bytes.Buffer
	for _, f := range files {
		fmt.Fprintf(&all, "%s %s\n", f.Sum(), f.Path)
	}
	return Sum(all.Bytes())
}

// Make makes a pack and signs it.
func Make(about About, files []File, key ed25519.PrivateKey) ([]byte, error) {
	var out bytes.Buffer
	if err := Write(&out, about, files, key); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// Write is Make for a pack that need not be held whole: its bytes go out as they come about.
func Write(out io.Writer, about About, files []File, key ed25519.PrivateKey) error {
	m := manifest{Format: Format, About: about}
	for i, f := range files {
		if err := fits(f, files[:i]); err != nil {
			return err
		}
		is := f.sums()
		m.Files = append(m.Files, listed{f.Path, f.MediaType, is.bytes, is.sha256})
	}
	list, err := JSON(m)
	if err != nil {
		return err
	}
	sealed, err := JSON(sign(list, key))
	if err != nil {
		return err
	}
	return contain(out, append([]File{{Path: Manifest, Content: list}, {Path: SealFile, Content: sealed}}, files...))
}

// fits refuses a file that an archive on some system could not take.
func fits(f File, before []File) error {
	odd := func(r rune) bool { return !strings.ContainsRune("abcdefghijklmnopqrstuvwxyz0123456789.-_", r) }
	switch {
	case f.Path == "" || strings.ContainsFunc(f.Path, odd) || strings.HasPrefix(f.Path, "."):
		return fmt.Errorf("recordpack: %q is no name for a file", f.Path)
	case f.Path == Manifest || f.Path == SealFile || slices.ContainsFunc(before, func(b File) bool { return b.Path == f.Path }):
		return fmt.Errorf("recordpack: there are two files %q", f.Path)
	}
	return nil
}

func sign(list []byte, key ed25519.PrivateKey) seal {
	s := seal{Algorithm: algorithm, PublicKey: PublicKey(key), Manifest: Sum(list)}
	s.Signature = hex.EncodeToString(ed25519.Sign(key, s.signed()))
	return s
}

func (s seal) signed() []byte { return []byte(Format + "\n" + s.Manifest) }

// JSON is how a pack writes values: two spaces deep, fields in the order of the type, a line end behind.
func JSON(v any) ([]byte, error) {
	var out bytes.Buffer
	e := json.NewEncoder(&out)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	err := e.Encode(v)
	return out.Bytes(), err
}

// read reads what JSON wrote, and nothing else: written anew, it must be the same bytes.
func read[T any](content []byte) (v T, err error) {
	d := json.NewDecoder(bytes.NewReader(content))
	d.DisallowUnknownFields()
	if err := d.Decode(&v); err != nil {
		return v, err
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return v, errors.New("there is something behind its end")
	}
	again, err := JSON(v)
	if err == nil && !bytes.Equal(again, content) {
		err = errors.New("it is not written as packs are")
	}
	return v, err
}

// PublicKey is the public half of a key, in hexadecimal.
func PublicKey(key ed25519.PrivateKey) string {
	public, _ := key.Public().(ed25519.PublicKey)
	return hex.EncodeToString(public)
}
