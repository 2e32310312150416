package recordpack

import (
	"archive/zip"
	"bytes"
	"crypto/ed25519"
	"encoding/hex"
	"fmt"
	"io"
	"strings"
)

// Fault is one thing that is wrong with a pack.
type Fault struct {
	Path string // the file of the pack; "" is the archive around them
	Text string
}

func (f Fault) String() string {
	if f.Path == "" {
		return "the archive: " + f.Text
	}
	return f.Path + ": " + f.Text
}

// Report is what the check of a pack found.
type Report struct {
	About

	Files   int    // those of the manifest
	Entries int    // of record chains
	Key     string // the public key of the seal, in hexadecimal
	Faults  []Fault
}

func (r *Report) fault(path, format string, args ...any) {
	r.Faults = append(r.Faults, Fault{path, fmt.Sprintf(format, args...)})
}

// Verify checks every hash, the seal, the chain and the archive of a pack, from its bytes alone. A pack without faults holds what was
// sealed with Report.Key; whose key that is, the pack can't prove: give key, the public key in hexadecimal that its maker told you, or
// "" to have it shown only.
func Verify(pack []byte, key string) *Report {
	r := &Report{}
	files, ok := r.open(pack)
	if !ok {
		return r
	}
	byPath := map[string][]byte{}
	for _, f := range files {
		if byPath[f.Path] != nil {
			r.fault(f.Path, "it is there twice")
		}
		byPath[f.Path] = f.Content
	}
	r.seal(byPath, key)
	r.manifest(byPath)
	r.chain(byPath[ChainFile])
	r.archive(pack, files)
	return r
}

// open reads the archive with a reader of its own, and all files as far as they can be read.
func (r *Report) open(pack []byte) (files []File, ok bool) {
	z, err := zip.NewReader(bytes.NewReader(pack), int64(len(pack)))
	if err != nil {
		r.fault("", "its directory, at the end, can't be read: %v", err)
		return nil, false
	}
	for _, entry := range z.File {
		content, err := contentOf(entry, len(pack))
		if err != nil {
			r.fault(entry.Name, "it can't be read: %v", err)
		}
		files = append(files, File{Path: entry.Name, Content: content})
	}
	return files, true
}

// contentOf reads a file; what it says to hold more than the pack is long is not believed.
func contentOf(entry *zip.File, longest int) ([]byte, error) {
	if entry.Method != zip.Store || entry.UncompressedSize64 > uint64(longest) {
		return []byte{}, fmt.Errorf("it is %d bytes long, or packed, in a pack of %d bytes of files as they are", entry.UncompressedSize64, longest)
	}
	in, err := entry.Open()
	if err != nil {
		return []byte{}, err
	}
	content, err := io.ReadAll(in)
	return append([]byte{}, content...), err
}

// seal checks the signature under the manifest.
func (r *Report) seal(files map[string][]byte, key string) {
	if files[SealFile] == nil {
		r.fault(SealFile, "it is missing, so nothing shows who made the pack")
		return
	}
	s, err := read[seal](files[SealFile])
	if err != nil {
		r.fault(SealFile, "it can't be read: %v", err)
		return
	}
	r.Key = s.PublicKey
	public, err := hex.DecodeString(s.PublicKey)
	signature, err2 := hex.DecodeString(s.Signature)
	switch {
	case err != nil || err2 != nil || len(public) != ed25519.PublicKeySize || s.Algorithm != algorithm:
		r.fault(SealFile, "its key or signature is not one of %s", algorithm)
	case !ed25519.Verify(public, s.signed(), signature):
		r.fault(SealFile, "its signature does not fit its key and the hash that it names")
	case Sum(files[Manifest]) != s.Manifest:
		r.fault(Manifest, "its SHA-256 is %s; sealed was %s", Sum(files[Manifest]), s.Manifest)
	case key != "" && !strings.EqualFold(key, s.PublicKey):
		r.fault(SealFile, "it was sealed with key %s, not with %s", s.PublicKey, key)
	}
}

// manifest compares the files with their list.
func (r *Report) manifest(files map[string][]byte) {
	if files[Manifest] == nil {
		r.fault(Manifest, "it is missing")
		return
	}
	m, err := read[manifest](files[Manifest])
	if err != nil || m.Format != Format {
		r.fault(Manifest, "it can't be read as %s: %v", Format, err)
		return
	}
	r.About, r.Files = m.About, len(m.Files)
	known := map[string]bool{Manifest: true, SealFile: true}
	for _, f := range m.Files {
		known[f.Path] = true
		content, there := files[f.Path]
		switch {
		case !there:
			r.fault(f.Path, "it is missing")
		case len(content) != f.Bytes || Sum(content) != f.SHA256:
			r.fault(f.Path, "it has %d bytes with SHA-256 %s; sealed were %d bytes with %s", len(content), Sum(content), f.Bytes, f.SHA256)
		}
	}
	for path := range files {
		if !known[path] {
			r.fault(path, "it was put in after the pack was sealed")
		}
	}
}

// archive writes the archive anew and names the file around which the first other byte lies.
func (r *Report) archive(pack []byte, files []File) {
	if len(r.Faults) > 0 {
		return // its bytes follow from files that are wrong
	}
	var anew bytes.Buffer
	if err := contain(&anew, files); err != nil {
		r.fault("", "%v", err)
		return
	}
	want := anew.Bytes()
	if bytes.Equal(want, pack) {
		return
	}
	at := 0
	for at < len(want) && at < len(pack) && want[at] == pack[at] {
		at++
	}
	path, end := "", 0
	for _, f := range files {
		if end += 30 + len(f.Path) + len(f.Content); at < end {
			path = f.Path
			break
		}
	}
	if path == "" {
		end = bytes.LastIndex(want, []byte("PK\x05\x06"))
		for _, f := range files { // the directory, backwards to the entry around the byte
			if entry := bytes.LastIndex(want[:end], []byte(f.Path)); entry-46 <= at && at < entry+len(f.Path) {
				path = f.Path
			}
		}
	}
	r.fault(path, "the archive around it has another byte at %d than these files give", at)
}
