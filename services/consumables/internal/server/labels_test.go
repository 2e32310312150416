package server_test

import (
	"bytes"
	"image"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/printing/printingtest"
)

// hazardous is an invented cleaner with everything that a label can say of it.
var hazardous = &consumablesv1.Item{
	DisplayName: "Demonstration cleaner, concentrate", Kind: consumablesv1.Item_CLEANER, BaseUnitCode: "L", PartNumber: "DEMO-1", DemonstrationOnly: true,
	MaterialSpec: "Invented specification", OpenedLifeDays: 90, PotLifeHours: 8,
	ApprovedMixRatios: []*consumablesv1.MixRatio{{WaterParts: 6, CleanerParts: 1}},
	HazardStatements:  []string{"H226 Flammable liquid and vapour", "H319 Causes serious eye irritation"}, Pictograms: []string{"GHS02", "GHS07"},
	SafetyDataSheetRevision: "revision 3", SafetyDataSheetDate: &date.Date{Year: 2026, Month: 3, Day: 1},
	StorageMinC: proto.Float64(5), StorageMaxC: proto.Float64(30),
}

func (d desk) hazardousLot() *consumablesv1.Lot {
	d.t.Helper()
	of(d.CreateItem(d.clerk(), &consumablesv1.CreateItemRequest{ItemId: "demo", Item: hazardous})).done(d.t)
	return d.stocked("demo", "l1", "20", time.Date(2027, 1, 31, 0, 0, 0, 0, time.UTC))
}

func (d desk) label(lot string) *consumablesv1.RenderLabelResponse {
	d.t.Helper()
	return of(d.RenderLabel(d.clerk(), &consumablesv1.RenderLabelRequest{Name: lot})).done(d.t)
}

// STO-07: the page has the size of the medium within half a millimetre, and readers that had no part in making it read the lot
// out of a rendering of 300 dots per inch.
func TestLabelsOfEveryMediumAreReadByOthers(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		plain, hazardous := d.stocked("cleaner", "l0", "20", time.Date(2027, 1, 31, 0, 0, 0, 0, time.UTC)), d.hazardousLot()
		media := of(d.ListLabelMedia(d.clerk(), &consumablesv1.ListLabelMediaRequest{})).done(t).GetLabelMedia()
		if len(media) < 4 {
			t.Fatalf("media: %v", media)
		}
		for i, m := range media {
			lot := hazardous
			if i < 2 {
				lot = plain // the smaller ones have no room for everything
			}
			resp, err := d.RenderLabel(d.clerk(), &consumablesv1.RenderLabelRequest{Name: lot.GetName(), LabelMedium: m.GetName(), LinkBase: "https://stores.example/console"})
			if err != nil {
				t.Fatalf("%s: %v", m.GetName(), err)
			}
			d.checkLabel(resp, m, lot)
			if dir := os.Getenv("COLDSECTION_TEST_KEEP"); dir != "" { // to look at them
				if err := os.WriteFile(filepath.Join(dir, strings.ReplaceAll(m.GetName(), "/", "-")+".pdf"), resp.GetPdf(), 0o600); err != nil {
					t.Fatal(err)
				}
			}
		}
	})
}

func (d desk) checkLabel(resp *consumablesv1.RenderLabelResponse, m *consumablesv1.LabelMedium, lot *consumablesv1.Lot) {
	d.t.Helper()
	printingtest.CheckArchive(d.t, resp.GetContent())
	if want := "label-" + lot.GetShortCode() + "-" + strings.TrimPrefix(m.GetName(), "labelMedia/") + ".pdf"; resp.GetFileName() != want ||
		resp.GetMediaType() != "application/pdf" || !bytes.Equal(resp.GetPdf(), resp.GetContent()) {
		d.t.Errorf("%s: %s %s", m.GetName(), resp.GetFileName(), resp.GetMediaType())
	}
	for _, size := range printingtest.PageSizes(d.t, resp.GetPdf()) {
		if math.Abs(size[0]-m.GetWidthMm()) > 0.5 || math.Abs(size[1]-m.GetHeightMm()) > 0.5 {
			d.t.Errorf("%s: the page measures %.2f mm by %.2f mm", m.GetName(), size[0], size[1])
		}
	}
	picture := printingtest.Render(d.t, resp.GetPdf(), 1, 300)
	matrix, qr := printingtest.DataMatrix(d.t, picture), printingtest.QR(d.t, picture)
	if matrix != "\x1d91270131"+lot.GetShortCode() || qr != "https://stores.example/console/lots/"+lot.GetShortCode() {
		d.t.Errorf("%s: DataMatrix %q, QR %q", m.GetName(), matrix, qr)
	}
	for _, code := range []string{"]d2" + strings.TrimPrefix(matrix, "\x1d"), matrix, qr, resp.GetElementText(), lot.GetShortCode()} {
		found := of(d.ParseScan(d.clerk(), &consumablesv1.ParseScanRequest{Code: code})).done(d.t)
		if found.GetLot().GetName() != lot.GetName() {
			d.t.Errorf("%s: %q is read as %v", m.GetName(), code, found)
		}
	}
	text := strings.Join(strings.Fields(printingtest.Text(d.t, resp.GetPdf())), " ")
	for _, line := range resp.GetLines() {
		for word := range strings.FieldsSeq(line) {
			if !strings.Contains(text, word) {
				d.t.Errorf("%s: %q of %q is not on the label", m.GetName(), word, line)
			}
		}
	}
}

func TestALabelSaysWhatItMust(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.hazardousLot()
		d.clock.Advance(time.Hour)
		resp := d.label(lot.GetName())
		for _, want := range []string{
			"USABLE", lot.GetShortCode(), "Demonstration cleaner, concentrate", "DEMO-1 · Invented specification", "Lot M-l1", "Use by 2027-01-31",
			"Opened: ________________", "Store at 5 to 30 °C",
			"WARNING – Hazards: GHS02 flame · GHS07 exclamation mark · H226 Flammable liquid and vapour · H319 Causes serious eye irritation",
			"Safety data sheet revision 3 of 2026-03-01", "DEMONSTRATION ONLY – not for use on an engine", "Printed 2026-11-25 09:00 UTC · scan before use",
		} {
			if !slices.Contains(resp.GetLines(), want) {
				t.Errorf("%q is not in %q", want, resp.GetLines())
			}
		}
		if !bytes.Equal(resp.GetPdf(), d.label(lot.GetName()).GetPdf()) {
			t.Error("the same label is another file")
		}
		// Opened on 2026-11-25 with 90 days of life once open: until 2027-02-23, so the use-by still binds (L02).
		of(d.decant(lot.GetName(), "1", "")).done(t)
		if lines := d.label(lot.GetName()).GetLines(); !slices.Contains(lines, "Opened 2026-11-25") {
			t.Errorf("opened: %q", lines)
		}
	})
}

// The headline forbids the use of whatever the rules refuse at the time of printing.
func TestALabelForbidsWhatTheRulesRefuse(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		headline := func(lot string) string { return d.label(lot).GetLines()[0] }
		held := d.received("cleaner", "held", "5", days(100))
		if got := d.label(held.GetName()).GetLines(); got[0] != "HELD – DO NOT USE" || !slices.Contains(got, "Why held: Waits for its receiving inspection") {
			t.Errorf("held: %q", got)
		}
		lot := d.stocked("cleaner", "l1", "5", days(1))
		d.clock.Advance(72 * time.Hour) // no sweep has run: the state still says USABLE
		if got := headline(lot.GetName()); got != "EXPIRED – DO NOT USE" {
			t.Errorf("expired: %q", got)
		}
		of(d.RecallLot(d.as("quinn", "quality"), &consumablesv1.RecallLotRequest{Name: held.GetName(), Reason: "maker's letter"})).done(t)
		if got := headline(held.GetName()); got != "RECALLED – DO NOT USE" {
			t.Errorf("recalled: %q", got)
		}
		unknown := d.stocked("cleaner", "l2", "5", time.Time{})
		if got := d.label(unknown.GetName()).GetLines(); !strings.HasSuffix(got[0], "DO NOT USE") || !slices.Contains(got, "Use by: unknown") {
			t.Errorf("no known life: %q", got)
		}
		keeps := d.stocked("keeping", "l3", "5", time.Time{})
		if got := d.label(keeps.GetName()); got.GetLines()[0] != "USABLE" || !slices.Contains(got.GetLines(), "Use by: no life limit") ||
			got.GetElementText() != "(91)000000"+keeps.GetShortCode() {
			t.Errorf("keeps for ever: %v", got.GetLines())
		}
	})
}

// H05 (29 CFR 1910.1200(c), (f)(6), (f)(8)): a mixed bottle that others use needs a label. It names what it was mixed from, the
// ratio as measured, the end of its pot life, and the hazards of its parts, because the mix has none on record.
func TestALabelOfAMix(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		cleaner := d.hazardousLot()
		water := d.stocked("water", "w1", "20", days(30))
		d.issued("demo", cleaner.GetName(), order, "1")
		d.issued("water", water.GetName(), order, "6")
		blend := of(d.BlendLots(d.clerk(), &consumablesv1.BlendLotsRequest{
			Item: "items/solution", WorkOrder: order, Ratio: &consumablesv1.MixRatio{WaterParts: 6, CleanerParts: 1}, Output: litres("6.9"),
			Parts: []*consumablesv1.BlendPart{{Lot: cleaner.GetName(), Quantity: litres("1")}, {Lot: water.GetName(), Quantity: litres("6")}},
		})).done(t)
		resp := d.label(blend.GetName())
		for _, want := range []string{
			"USABLE", "solution", "Mixed 2026-11-25 08:00 UTC", "6.00 parts of water to 1 part of cleaner, as measured",
			"Of 1 L Demonstration cleaner, concentrate " + cleaner.GetShortCode(), "Of 6 L water " + water.GetShortCode(),
			"Use by 2026-11-25 16:00 UTC (pot life of 8 hours)", "DEMONSTRATION ONLY – not for use on an engine",
			"WARNING – Hazards of what it is mixed from: GHS02 flame · GHS07 exclamation mark · H226 Flammable liquid and vapour · H319 Causes serious eye irritation",
		} {
			if !slices.Contains(resp.GetLines(), want) {
				t.Errorf("%q is not in %q", want, resp.GetLines())
			}
		}
		d.checkLabelCode(resp, "\x1d91261125"+blend.GetShortCode(), blend.GetShortCode())
		filled := of(d.decant(cleaner.GetName(), "0.5", "")).done(t)
		if lines := d.label(filled.GetName()).GetLines(); !slices.Contains(lines, "Filled 2026-11-25 08:00 UTC") ||
			!slices.Contains(lines, "Of 0.5 L Demonstration cleaner, concentrate "+cleaner.GetShortCode()) || !slices.Contains(lines, "Lot M-l1") {
			t.Errorf("filled: %q", lines)
		}
	})
}

// A mix and a pack that was opened stand with their job; their ends are told and counted in the zone of the store that they came from, as
// are those of the rest. Asia/Kolkata is UTC+5:30 all year.
func TestWhatIsWithAJobKeepsTheClockOfItsStore(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		of(d.CreateLocation(d.clerk(), &consumablesv1.CreateLocationRequest{
			LocationId: "kolkata", Location: &consumablesv1.Location{DisplayName: "Kolkata", Kind: consumablesv1.Location_BIN, TimeZone: "Asia/Kolkata"},
		})).done(t)
		for _, item := range []string{"cleaner", "water"} {
			lot := d.draftOf(item, item, days(100))
			if item == "cleaner" {
				lot.PackQuantity = litres("2")
			}
			of(d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{LotId: item, Location: "locations/kolkata", Quantity: litres("6"), Lot: lot})).done(t)
		}
		of(d.tested("lots/water", "4.9")).done(t)
		for _, item := range []string{"cleaner", "water"} {
			of(d.clear("lots/" + item)).done(t)
			d.issued(item, "lots/"+item, order, "6")
		}
		d.clock.Advance(11 * time.Hour) // 19:00 UTC is half past midnight in Kolkata
		mix := of(d.BlendLots(d.clerk(), &consumablesv1.BlendLotsRequest{
			Item: "items/solution", WorkOrder: order, Ratio: &consumablesv1.MixRatio{WaterParts: 6, CleanerParts: 1}, Output: litres("7"),
			Parts: []*consumablesv1.BlendPart{{Lot: "lots/cleaner", Quantity: litres("1")}, {Lot: "lots/water", Quantity: litres("6")}},
		})).done(t)
		if lines := d.label(mix.GetName()).GetLines(); !slices.Contains(lines, "Mixed 2026-11-26 00:30 IST") || !slices.Contains(lines, "Use by 2026-11-26 08:30 IST (pot life of 8 hours)") {
			t.Errorf("the mix: %q", lines)
		}
		pack := d.lot(mix.GetParents()[0].GetLot())
		end := time.Date(2027, 2, 24, 18, 30, 0, -1000, time.UTC) // 90 days after the 26th, with the day in Kolkata
		if pack.GetSourceLot() != "lots/cleaner" || !pack.GetExpireTime().AsTime().Equal(end) || !strings.HasSuffix(pack.GetLifeRule(), "Asia/Kolkata") {
			t.Errorf("the pack ends %s by %q", pack.GetExpireTime().AsTime(), pack.GetLifeRule())
		}
	})
}

func (d desk) checkLabelCode(resp *consumablesv1.RenderLabelResponse, matrix, qr string) {
	d.t.Helper()
	picture := printingtest.Render(d.t, resp.GetPdf(), 1, 300)
	if gotMatrix, gotQR := printingtest.DataMatrix(d.t, picture), printingtest.QR(d.t, picture); gotMatrix != matrix || gotQR != qr {
		d.t.Errorf("DataMatrix %q, QR %q, wanted %q and %q", gotMatrix, gotQR, matrix, qr)
	}
}

func TestManyLabels(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("cleaner", "l1", "5", days(100))
		resp := of(d.RenderLabel(d.clerk(), &consumablesv1.RenderLabelRequest{Name: lot.GetName(), LabelCount: 12})).done(t)
		if sizes := printingtest.PageSizes(t, resp.GetPdf()); len(sizes) != 12 {
			t.Errorf("%d pages", len(sizes))
		}
		if last := printingtest.QR(t, printingtest.Render(t, resp.GetPdf(), 12, 300)); last != lot.GetShortCode() {
			t.Errorf("the last one says %q", last)
		}
	})
}

// What must be said is never left out: a small label refuses what it has no room for, and without a medium a larger one is taken.
func TestALabelLeavesNothingOut(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		item := &consumablesv1.Item{DisplayName: "Demonstration mixture of many hazards", Kind: consumablesv1.Item_OTHER, BaseUnitCode: "L", NoLifeLimit: true}
		for range 18 {
			item.HazardStatements = append(item.HazardStatements, "H300 Invented statement that is as long as the longest of them usually are")
		}
		of(d.CreateItem(d.clerk(), &consumablesv1.CreateItemRequest{ItemId: "many", Item: item})).done(t)
		lot := d.stocked("many", "l1", "5", time.Time{})
		_, err := d.RenderLabel(d.clerk(), &consumablesv1.RenderLabelRequest{Name: lot.GetName(), LabelMedium: "labelMedia/62x29"})
		refused(t, "62x29", err, "LABEL_MEDIA_TOO_SMALL")
		if resp := d.label(lot.GetName()); resp.GetMedium().GetName() != "labelMedia/100x150" {
			t.Errorf("took %v", resp.GetMedium())
		}
		for medium, reason := range map[string]string{"labelMedia/none": "LABEL_MEDIA_UNKNOWN", "labelMedia/": "LABEL_MEDIA_UNKNOWN"} {
			_, err := d.RenderLabel(d.clerk(), &consumablesv1.RenderLabelRequest{Name: lot.GetName(), LabelMedium: medium})
			refused(t, medium, err, reason)
		}
		_, err = d.RenderLabel(d.clerk(), &consumablesv1.RenderLabelRequest{Name: "lots/none"})
		refused(t, "no lot", err, "NOT_FOUND")
		for _, base := range []string{"javascript:alert(1)", "https://a b", "stores.example"} {
			_, err = d.RenderLabel(d.clerk(), &consumablesv1.RenderLabelRequest{Name: lot.GetName(), LinkBase: base})
			refused(t, base, err, "FIELD_INVALID")
		}
	})
}

// A label with nine pictograms is read by others as well, and its red frames are there; each code stands beside its picture, but for the
// exclamation mark, which the skull makes needless (UN GHS 1.4.10.5.3.1, number from memory).
func TestALabelDrawsThePictograms(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		item := &consumablesv1.Item{
			DisplayName: "Demonstration mixture", Kind: consumablesv1.Item_OTHER, BaseUnitCode: "L", NoLifeLimit: true, DemonstrationOnly: true,
			HazardStatements: []string{"H225 Highly flammable liquid and vapour"},
			Pictograms:       []string{"GHS01", "GHS02", "GHS03", "GHS04", "GHS05", "GHS06", "GHS07", "GHS08", "GHS09"},
		}
		of(d.CreateItem(d.clerk(), &consumablesv1.CreateItemRequest{ItemId: "nine", Item: item})).done(t)
		lot := d.stocked("nine", "n1", "5", time.Time{})
		resp := d.label(lot.GetName())
		printingtest.CheckArchive(t, resp.GetPdf())
		d.checkLabelCode(resp, "\x1d91000000"+lot.GetShortCode(), lot.GetShortCode())
		text := printingtest.Text(t, resp.GetPdf())
		for _, code := range item.GetPictograms() {
			want := 2 // among the hazards, and below its picture
			if code == "GHS07" {
				want = 0
			}
			if strings.Count(text, code) != want {
				t.Errorf("%s stands there %d times", code, strings.Count(text, code))
			}
		}
		if !slices.ContainsFunc(resp.GetLines(), func(l string) bool { return strings.HasPrefix(l, "DANGER – Hazards: GHS01 exploding bomb") }) {
			t.Errorf("lines %q", resp.GetLines())
		}
		if dir := os.Getenv("COLDSECTION_TEST_KEEP"); dir != "" {
			of(0, os.WriteFile(filepath.Join(dir, "nine.pdf"), resp.GetPdf(), 0o600)).done(t)
		}
		if n := reds(printingtest.Picture(t, printingtest.Render(t, resp.GetPdf(), 1, 100))); n < 8*100 { // of frames of a millimetre
			t.Errorf("%d dots are red", n)
		}
		for reason, change := range map[string]func(*consumablesv1.Item){
			"SIGNAL_WORD_WRONG":  func(i *consumablesv1.Item) { i.SignalWord = consumablesv1.Item_WARNING },
			"SIGNAL_WORD_NEEDED": func(i *consumablesv1.Item) { i.HazardStatements = []string{"H272 May intensify fire; oxidizer"} },
		} {
			bad, _ := proto.Clone(item).(*consumablesv1.Item)
			change(bad)
			_, err := d.CreateItem(d.clerk(), &consumablesv1.CreateItemRequest{Item: bad})
			refused(t, reason, err, reason)
		}
	})
}

// reds counts the red dots of a picture.
func reds(picture image.Image) (n int) {
	for y := range picture.Bounds().Dy() {
		for x := range picture.Bounds().Dx() {
			if r, g, b, _ := picture.At(x, y).RGBA(); r > 0xa000 && g < 0x6000 && b < 0x6000 {
				n++
			}
		}
	}
	return n
}
