package printing

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/xml"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"
)

// sRGB is the colour profile that the grey values are to be read in; see profile/LICENSE.txt beside it.
//
//go:embed profile/sRGB2014.icc
var sRGB []byte

// markAsArchive sets what PDF/A-2b asks of the file beyond its pages: dates, the metadata that name the standard (ISO
// 19005-2, 6.6.2 and 6.6.4), and the output intent (6.2.3). The dictionaries are written in a fixed order.
func (c *Canvas) markAsArchive() {
	created := c.meta.Created.UTC().Truncate(time.Second)
	c.pdf.SetCatalogSort(true)
	c.pdf.SetCreationDate(created)
	c.pdf.SetModificationDate(created)
	c.pdf.SetProducer(producer, true)
	c.pdf.SetTitle(c.meta.Title, true)
	c.pdf.SetSubject(c.meta.Subject, true)
	c.pdf.SetAuthor(c.meta.Author, true)
	c.pdf.SetLang("en")
	c.pdf.SetXmpMetadata([]byte(metadata(c.meta, created.Format(time.RFC3339))))
	c.pdf.AddOutputIntent(fpdf.OutputIntentType{
		SubtypeIdent: fpdf.OutputIntent_GTS_PDFA1, OutputConditionIdentifier: "sRGB", Info: "sRGB IEC61966-2.1", ICCProfile: sRGB,
	})
}

const producer = "coldsection"

// metadata is the XMP packet (ISO 16684-1) of a document.
func metadata(m Meta, created string) string {
	return `<?xpacket begin="` + "\uFEFF" + `" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:pdfaid="http://www.aiim.org/pdfa/ns/id/" xmlns:dc="http://purl.org/dc/elements/1.1/"
 xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmlns:pdf="http://ns.adobe.com/pdf/1.3/">
<pdfaid:part>2</pdfaid:part><pdfaid:conformance>B</pdfaid:conformance>
<dc:title><rdf:Alt><rdf:li xml:lang="x-default">` + escaped(m.Title) + `</rdf:li></rdf:Alt></dc:title>
<dc:description><rdf:Alt><rdf:li xml:lang="x-default">` + escaped(m.Subject) + `</rdf:li></rdf:Alt></dc:description>
<dc:creator><rdf:Seq><rdf:li>` + escaped(m.Author) + `</rdf:li></rdf:Seq></dc:creator>
<xmp:CreateDate>` + created + `</xmp:CreateDate><xmp:ModifyDate>` + created + `</xmp:ModifyDate>
<pdf:Producer>` + producer + `</pdf:Producer>
</rdf:Description></rdf:RDF></x:xmpmeta>
<?xpacket end="w"?>`
}

func escaped(s string) string {
	var b strings.Builder
	if err := xml.EscapeText(&b, []byte(s)); err != nil {
		return "" // a strings.Builder takes everything
	}
	return b.String()
}

// trailer is the end of a file as fpdf writes it.
var trailer = regexp.MustCompile(`\ntrailer\n<<\n/Size ([0-9]+)\n/Root ([0-9]+) 0 R\n/Info ([0-9]+) 0 R\n>>\n`)

// identify writes the trailer anew: with the file identifier (ISO 32000-1, 14.4), a hash of the file, so that the same file
// has the same identifier; and with the right object as its information, which fpdf 0.12 takes for the colour profile
// once there is an output intent. The trailer stands behind the table of offsets, so none of them changes.
func identify(file []byte) ([]byte, error) {
	all := trailer.FindAllSubmatchIndex(file, -1)
	if len(all) == 0 {
		return nil, errors.New("printing: the file has no trailer")
	}
	at := all[len(all)-1]
	root, err := strconv.Atoi(string(file[at[4]:at[5]]))
	if err != nil {
		return nil, err
	}
	info := root - 2 // the information, the colour profile, the root
	if !bytes.Contains(file, fmt.Appendf(nil, "\n%d 0 obj\n<<\n/Producer ", info)) {
		return nil, errors.New("printing: the document's information is not where it was in fpdf 0.12")
	}
	hash := sha256.Sum256(file)
	end := fmt.Sprintf("\ntrailer\n<<\n/Size %s\n/Root %d 0 R\n/Info %d 0 R\n/ID [<%[4]X> <%[4]X>]\n>>\n", file[at[2]:at[3]], root, info, hash[:16])
	return append(append(bytes.Clone(file[:at[0]]), end...), file[at[1]:]...), nil
}
