// Package printingtest looks at printed documents with programs that had no part in making them: qpdf for the structure,
// poppler for fonts, text and pictures, dmtxread and zbarimg for bar codes. A missing program fails the test.
package printingtest

import (
	"bytes"
	"image"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// run runs a program on a file and returns what it says; it must succeed.
func run(t testing.TB, file []byte, program string, args ...string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(path, file, 0o600); err != nil {
		t.Fatal(err)
	}
	for i, a := range args {
		if a == "FILE" {
			args[i] = path
		}
	}
	var complaint bytes.Buffer
	cmd := exec.CommandContext(t.Context(), program, args...)
	cmd.Stderr = &complaint
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s%s", program, strings.Join(args, " "), err, out, complaint.String())
	}
	return string(out)
}

// archiveMarks are what PDF/A-2b wants to be found in a file, and forbidden what it does not (ISO 19005-2: 6.1.3, 6.2.3,
// 6.5, 6.6.4). They are sought in the file as qpdf writes it without compression.
var (
	archiveMarks = []string{"<pdfaid:part>2</pdfaid:part>", "<pdfaid:conformance>B</pdfaid:conformance>", "/S /GTS_PDFA1", "/DestOutputProfile", "/Metadata"}
	forbidden    = []string{"/Encrypt", "/JavaScript", "/JS", "/URI", "/GoToR", "/Launch", "/LZWDecode", "/SMask"}
	fileID       = regexp.MustCompile(`/ID \[<[0-9a-fA-F]{32}> ?<[0-9a-fA-F]{32}>\]`)
)

// CheckArchive fails unless the file is sound, has every font embedded, and bears the marks of PDF/A-2b.
func CheckArchive(t testing.TB, pdf []byte) {
	t.Helper()
	if out := run(t, pdf, "qpdf", "--check", "FILE"); strings.Contains(out, "WARNING") {
		t.Errorf("qpdf warns: %s", out)
	}
	plain := run(t, pdf, "qpdf", "--qdf", "--object-streams=disable", "FILE", "-")
	for _, mark := range archiveMarks {
		if !strings.Contains(plain, mark) {
			t.Errorf("the file lacks %s", mark)
		}
	}
	for _, mark := range forbidden {
		if strings.Contains(plain, mark) {
			t.Errorf("the file holds %s", mark)
		}
	}
	if !fileID.Match(pdf) {
		t.Error("the file has no identifier")
	}
	fonts := strings.Split(strings.TrimSpace(run(t, pdf, "pdffonts", "FILE")), "\n")
	for _, line := range fonts[min(2, len(fonts)):] {
		// The columns from the right: object id in two, unicode, subset, embedded.
		if columns := strings.Fields(line); len(columns) < 6 || columns[len(columns)-5] != "yes" {
			t.Errorf("a font is not embedded: %s", line)
		}
	}
}

var mediaBox = regexp.MustCompile(`MediaBox: +0\.00 +0\.00 +([0-9.]+) +([0-9.]+)`)

// PageSizes are the pages' sizes in millimetres.
func PageSizes(t testing.TB, pdf []byte) [][2]float64 {
	t.Helper()
	var sizes [][2]float64
	for _, box := range mediaBox.FindAllStringSubmatch(run(t, pdf, "pdfinfo", "-box", "-f", "1", "-l", "-1", "FILE"), -1) {
		var size [2]float64
		for i := range size {
			points, err := strconv.ParseFloat(box[i+1], 64)
			if err != nil {
				t.Fatal(err)
			}
			size[i] = points * 25.4 / 72
		}
		sizes = append(sizes, size)
	}
	return sizes
}

// Text is the text of the pages, each ending with a form feed.
func Text(t testing.TB, pdf []byte) string {
	t.Helper()
	return run(t, pdf, "pdftotext", "-layout", "FILE", "-")
}

// Render draws a page, from 1, at a resolution in dots per inch, as a PNG file.
func Render(t testing.TB, pdf []byte, page, dpi int) []byte {
	t.Helper()
	n := strconv.Itoa(page)
	return []byte(run(t, pdf, "pdftoppm", "-png", "-f", n, "-l", n, "-r", strconv.Itoa(dpi), "FILE"))
}

// Picture decodes what Render drew.
func Picture(t testing.TB, file []byte) image.Image {
	t.Helper()
	img, err := png.Decode(bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// DataMatrix reads the DataMatrix symbol in a picture. FNC1 reads as \x1d; a GS1 symbol begins with it.
func DataMatrix(t testing.TB, picture []byte) string {
	t.Helper()
	return run(t, picture, "dmtxread", "--gs1=29", "--stop-after=1", "--milliseconds=20000", "FILE")
}

// QR reads the QR symbol in a picture.
func QR(t testing.TB, picture []byte) string {
	t.Helper()
	return strings.TrimSuffix(run(t, picture, "zbarimg", "--quiet", "--raw", "-Sdisable", "-Sqrcode.enable", "FILE"), "\n")
}
