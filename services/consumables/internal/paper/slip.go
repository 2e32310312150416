package paper

import (
	"cmp"

	"coldsection.example/services/platform/printing"
)

// Slip is what a clerk takes along to fetch what an order needs.
type Slip struct {
	Order, Code string // its name, and what its symbol says
	Needed      string // when
	Lines       []SlipLine
}

// SlipLine is one lot to fetch of one item, or an item of which none is to be had.
type SlipLine struct {
	Item, Amount string
	Signal       string // WARNING or DANGER; empty when neither is known
	Hazards      string // empty when none are on record
	Place        string
	Lot, Code    string // its manufacturer's number and its short code; empty when nothing is to be had
	Why          string
	Passed       []string // lots that were passed over, each with the reason
}

// Draw draws a slip on A4, a symbol for the order and one for each lot; hazards stand before what is fetched.
func (s Slip) Draw(meta printing.Meta) ([]byte, error) {
	d := printing.NewDocument(meta, printing.A4)
	d.Heading(1, "Issue slip for "+s.Order)
	d.Paragraph("Needed at " + s.Needed + ". Scan the order, then each lot as it is taken. This slip promises nothing: stores decide at the issue.")
	symbol, err := printing.QR(s.Code)
	if err != nil {
		return nil, err
	}
	d.Symbol(codeSide, symbol, s.Code)
	for _, line := range s.Lines {
		if err := line.draw(d); err != nil {
			return nil, err
		}
	}
	d.Keep(2 * (writeHeight + 2))
	d.WriteIn("Handed out by, date and time", writeHeight)
	d.WriteIn("Received by", writeHeight)
	return d.PDF()
}

// Sizes on a slip in millimetres: of a symbol, and of a box to write in.
const (
	codeSide    = 17.0
	writeHeight = 8.0
)

func (l SlipLine) draw(d *printing.Document) error {
	d.Keep(3*codeSide + 2*writeHeight)
	d.Heading(2, l.Item+": "+l.Amount)
	if l.Hazards != "" {
		d.Caution(cmp.Or(l.Signal, "CAUTION"), l.Hazards)
	}
	if l.Code == "" {
		d.Paragraph("Nothing that may be used is in stores. " + l.Why)
	} else if err := l.take(d); err != nil {
		return err
	}
	for _, why := range l.Passed {
		d.Paragraph("Not taken: " + why)
	}
	return nil
}

// take draws where the lot stands, and the boxes for what is taken.
func (l SlipLine) take(d *printing.Document) error {
	d.Table(printing.Table{
		Columns: []printing.Column{{Title: "From", Weight: 2}, {Title: "Lot", Weight: 2}, {Title: "Code", Weight: 1, Mono: true}, {Title: "Why this one", Weight: 4}},
		Rows:    [][]string{{l.Place, l.Lot, l.Code, l.Why}},
	})
	symbol, err := printing.QR(l.Code)
	if err != nil {
		return err
	}
	d.Symbol(codeSide, symbol, l.Code)
	d.WriteIn("Taken, amount and unit", writeHeight)
	d.WriteIn("Another lot, and why", writeHeight)
	return nil
}
