package repository

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"testing"
)

// Names of places that exist on one machine or network only. The patterns are written so that they don't match themselves.
var (
	machinePath = regexp.MustCompile(`(^|[\s"'` + "`" + `(=:])/(work|root|home|Users|tmp)/[a-zA-Z0-9_.-]`)
	packageHost = regexp.MustCompile(`\b(proxy|sum)[.]golang[.]org\b|\bgoproxy[.](io|cn)\b|\bregistry[.](npmjs|yarnpkg)[.](org|com)\b|` +
		`\b(pypi|pythonhosted)[.]org\b|\b(static[.])?crates[.]io\b|\brubygems[.]org\b|\b(docker|ghcr|quay|gcr|mcr[.]microsoft)[.](io|com)\b|` +
		`\b(deb|security|ftp)[.]debian[.]org\b|\brepo1?[.]maven[.](apache[.])?org\b`)
)

func TestNoPlacesOfSomebodysMachine(t *testing.T) {
	walk(t, func(name string, _ fs.DirEntry) {
		text, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(name)))
		if err != nil {
			t.Fatal(err)
		}
		if name == "go.sum" || bytes.IndexByte(text, 0) >= 0 {
			return
		}
		for i, line := range bytes.Split(text, []byte("\n")) {
			if found := foreignPlace(line); found != "" {
				t.Errorf("%s:%d: %q names a place of one machine or network; leave it out or make it a setting", name, i+1, found)
			}
		}
	})
}

// foreignPlace returns what a line names that it shouldn't.
func foreignPlace(line []byte) string {
	for _, form := range []*regexp.Regexp{machinePath, packageHost} {
		if found := form.Find(line); found != nil {
			return string(found)
		}
	}
	return ""
}

func TestPlacesAreFound(t *testing.T) {
	slash := "/"
	for _, line := range []string{
		"dir := \"" + slash + "home/somebody/x\"", "see " + slash + "work/notes", "cd " + slash + "root/x", slash + "tmp/state",
		"GOPROXY=https://proxy" + ".golang.org", "image: ghcr" + ".io/x/y", "https://registry" + ".npmjs.org/x",
	} {
		if foreignPlace([]byte(line)) == "" {
			t.Errorf("%q passes", line)
		}
	}
	for _, line := range []string{
		"in /var/lib/coldsection", "GET /v1/workOrders/1", "a/tmp/b is relative", "/homepage", "google.golang.org/grpc", "/work",
	} {
		if found := foreignPlace([]byte(line)); found != "" {
			t.Errorf("%q is refused for %q", line, found)
		}
	}
}
