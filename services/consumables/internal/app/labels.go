package app

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/ghs"
	"coldsection.example/services/consumables/internal/label"
	"coldsection.example/services/consumables/internal/paper"
	"coldsection.example/services/consumables/internal/scan"
	"coldsection.example/services/consumables/internal/stock"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/printing"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// labelMedia begins the names of media.
const labelMedia = "labelMedia/"

// LabelMedium is a medium as the API shows it.
func LabelMedium(m label.Medium) *consumablesv1.LabelMedium {
	return &consumablesv1.LabelMedium{Name: labelMedia + m.ID, DisplayName: m.Name, WidthMm: m.Width, HeightMm: m.Height}
}

// RenderLabel draws a lot's label.
func (a *App) RenderLabel(ctx context.Context, req *consumablesv1.RenderLabelRequest) (*consumablesv1.RenderLabelResponse, error) {
	media := label.Media
	if req.GetLabelMedium() != "" {
		m, known := label.Find(strings.TrimPrefix(req.GetLabelMedium(), labelMedia))
		if !known {
			return nil, fault.Invalid("label_medium", "LABEL_MEDIA_UNKNOWN",
				"%.60q is no size that labels come in here. List labelMedia, or leave it out for the smallest that fits.", req.GetLabelMedium())
		}
		media = []label.Medium{m}
	}
	var facts label.Facts
	var lastDay time.Time
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		lot, err := store.Lots.Get(ctx, tx, req.GetName())
		if err != nil {
			return err
		}
		facts, lastDay, err = u.labelFacts(ctx, lot)
		return err
	})
	if err != nil {
		return nil, err
	}
	if err := written(facts); err != nil {
		return nil, err
	}
	return a.drawLabel(req, media, label.Of(facts), scan.OwnElements(facts.Code, lastDay).Scan(), scan.OwnElements(facts.Code, lastDay).Text())
}

// written refuses a label whose names or hazards have letters that its fonts lack: nobody could read what is in the container. A lot's number is
// its maker's and can't be written otherwise; such letters of it stand there by their code. Reason: LABEL_LETTERS_MISSING.
func written(f label.Facts) error {
	texts := append([]string{f.Item, f.PartNumber, f.Spec, f.Recipe}, f.Hazards...)
	for _, p := range f.Parts {
		texts = append(texts, p.Item)
	}
	for _, text := range texts {
		if letter, found := printing.Unwritten(text); found {
			return fault.Precondition("LABEL_LETTERS_MISSING",
				"The fonts of labels have no %q of %.80q. Give the item a name and statements in Latin, Greek or Cyrillic letters, or label the container by hand.", letter, text)
		}
	}
	return nil
}

// drawLabel draws on the first medium that has room.
func (a *App) drawLabel(req *consumablesv1.RenderLabelRequest, media []label.Medium, content label.Content, elements, text string) (*consumablesv1.RenderLabelResponse, error) {
	resp := &consumablesv1.RenderLabelResponse{ElementText: text, QrText: content.Code}
	if req.GetLinkBase() != "" {
		resp.QrText = strings.TrimRight(req.GetLinkBase(), "/") + "/lots/" + content.Code
	}
	codes := paper.Codes{Text: text}
	var err error
	if codes.DataMatrix, err = printing.GS1DataMatrix(elements); err != nil {
		return nil, err
	}
	if codes.QR, err = printing.QR(resp.GetQrText()); err != nil {
		return nil, err
	}
	meta := printing.Meta{Title: "Label " + content.Code, Subject: "Container label", Author: "coldsection", Number: content.Code, Created: a.Clock.Now()}
	// Words are cut only where no medium has room for them whole.
	for i := range 2 * len(media) {
		m, cut := media[i%len(media)], i >= len(media)
		pdf, err := paper.Label(meta, m, content, codes, int(req.GetLabelCount()), cut)
		if errors.Is(err, paper.ErrTooSmall) {
			continue
		}
		if err != nil {
			return nil, err
		}
		resp.Pdf, resp.Content, resp.MediaType, resp.Medium = pdf, pdf, "application/pdf", LabelMedium(m)
		resp.FileName = fmt.Sprintf("label-%s-%s.pdf", content.Code, m.ID)
		resp.Lines = []string{content.Headline, content.Code}
		for _, line := range content.Lines {
			resp.Lines = append(resp.Lines, line.Text)
		}
		return resp, nil
	}
	return nil, fault.Precondition("LABEL_MEDIA_TOO_SMALL", "%s has no room for all that the label of %s must say. Leave the medium out for the smallest that fits, or take a larger one.",
		media[len(media)-1].Name, req.GetName())
}

// labelFacts gathers what a label says, and the last usable day for its code; the day is zero when there is none.
func (u unit) labelFacts(ctx context.Context, lot *consumablesv1.Lot) (label.Facts, time.Time, error) {
	item, err := u.itemOf(ctx, lot)
	if err != nil {
		return label.Facts{}, time.Time{}, err
	}
	c, err := u.candidate(ctx, lot, item, u.now)
	if err != nil {
		return label.Facts{}, time.Time{}, err
	}
	zone, err := u.zoneOfLot(ctx, lot, c.Location)
	if err != nil {
		return label.Facts{}, time.Time{}, err
	}
	f := label.Facts{
		Item: item.GetDisplayName(), PartNumber: item.GetPartNumber(), Spec: item.GetMaterialSpec(), Code: lot.GetShortCode(), MakerLot: lot.GetManufacturerLot(),
		State: lot.GetState().String(), HoldReason: lot.GetHoldReason(), LifeRule: withoutZone(lot.GetLifeRule()), LifeKnown: c.Known,
		Hazards: item.GetHazardStatements(), Pictograms: item.GetPictograms(), SafetySheet: sheetOf(item),
		Storage: storageOf(item), Signal: signalOf(item), Demonstration: item.GetDemonstrationOnly(),
		Printed: u.now.In(zone).Format(minutes),
	}
	// What the rules refuse must not leave with a label that says USABLE, whatever the state was last set to.
	if reason, _ := stock.Refuse(c, u.now); reason != "" && lot.GetState() == consumablesv1.Lot_USABLE {
		f.State = strings.ReplaceAll(strings.TrimPrefix(reason, "LOT_"), "_", " ")
	}
	if lot.GetOpenTime() != nil {
		f.Opened = lot.GetOpenTime().AsTime().In(zone).Format(time.DateOnly)
	}
	var lastDay time.Time
	if lot.GetExpireTime() != nil {
		lastDay = lot.GetExpireTime().AsTime().In(zone)
		f.LastUse = lastUse(lastDay)
	}
	err = u.addOrigin(ctx, &f, lot, item, zone)
	return f, lastDay, err
}

const minutes = "2006-01-02 15:04 MST"

// lastUse is a day where the use ends with the day, else an instant.
func lastUse(end time.Time) string {
	if end.Add(time.Microsecond).Format("15:04:05.000000") == "00:00:00.000000" {
		return end.Format(time.DateOnly)
	}
	return end.Format(minutes)
}

// signalOf is the word of an item; where its statements leave it open and nobody entered one, as on items of before, the stricter.
func signalOf(item *consumablesv1.Item) ghs.Word {
	called, _ := ghs.Called(item.GetHazardStatements())
	if entered := ghs.Word(item.GetSignalWord()); entered != ghs.None {
		return entered
	}
	return called
}

// storageOf is the temperatures to store an item at, as a label says them.
func storageOf(item *consumablesv1.Item) string {
	switch least, most := item.StorageMinC, item.StorageMaxC; {
	case least != nil && most != nil:
		return fmt.Sprintf("Store at %g to %g °C", *least, *most)
	case least != nil:
		return fmt.Sprintf("Store at %g °C or warmer", *least)
	case most != nil:
		return fmt.Sprintf("Store at %g °C or colder", *most)
	default:
		return ""
	}
}

func sheetOf(item *consumablesv1.Item) string {
	sheet := item.GetSafetyDataSheetRevision()
	if day := resource.DateText(item.GetSafetyDataSheetDate()); day != "" {
		sheet = strings.TrimSpace(sheet + " of " + day)
	}
	return sheet
}

// addOrigin adds what a mix or a filled container was made from, and its parents' hazards when it has none of its own.
func (u unit) addOrigin(ctx context.Context, f *label.Facts, lot *consumablesv1.Lot, item *consumablesv1.Item, zone *time.Location) error {
	if len(lot.GetParents()) == 0 {
		return nil
	}
	made, err := store.FirstMoved(ctx, u.Tx, lot.GetName()) // it may have been recorded later
	if err != nil {
		return err
	}
	f.Made = "Mixed " + made.In(zone).Format(minutes)
	if lot.GetRecipe() != "" {
		recipe, err := u.recipeAt(ctx, lot.GetRecipe(), lot.GetRecipeRevision())
		if err != nil {
			return err
		}
		f.Recipe = recipeLine(recipe)
	}
	measured := map[consumablesv1.Item_Kind]float64{}
	for _, part := range lot.GetParents() {
		parent, err := store.Lots.Get(ctx, u.Tx, part.GetLot())
		if err != nil {
			return err
		}
		of, err := u.itemOf(ctx, parent)
		if err != nil {
			return err
		}
		amount, err := stock.FromQuantity(part.GetQuantity().GetValue(), part.GetQuantity().GetUnitCode(), item.GetBaseUnitCode())
		if err != nil {
			return err
		}
		measured[of.GetKind()] += float64(amount)
		f.Parts = append(f.Parts, label.Part{Item: of.GetDisplayName(), Code: parent.GetShortCode(), Amount: part.GetQuantity().GetValue() + " " + part.GetQuantity().GetUnitCode()})
		f.Demonstration = f.Demonstration || of.GetDemonstrationOnly()
		if lot.GetSourceLot() != "" {
			f.Made = "Opened pack of " + parent.GetShortCode()
		} else if of.GetName() == item.GetName() {
			f.Made = "Filled " + made.In(zone).Format(minutes)
		}
	}
	if len(measured) == 2 { // water and cleaner and nothing else
		f.Ratio = label.Ratio(measured[consumablesv1.Item_WATER], measured[consumablesv1.Item_CLEANER])
	}
	if len(f.Hazards)+len(f.Pictograms) > 0 {
		return nil
	}
	f.HazardsOfParts = true
	return u.hazardsOfParents(ctx, f, lot, map[string]bool{})
}

// hazardsOfParents collects the hazards of all that went into a lot, to any depth, each statement once.
func (u unit) hazardsOfParents(ctx context.Context, f *label.Facts, lot *consumablesv1.Lot, seen map[string]bool) error {
	for _, part := range lot.GetParents() {
		if seen[part.GetLot()] {
			continue
		}
		seen[part.GetLot()] = true
		parent, err := store.Lots.Get(ctx, u.Tx, part.GetLot())
		if err != nil {
			return err
		}
		item, err := u.itemOf(ctx, parent)
		if err != nil {
			return err
		}
		f.Signal = max(f.Signal, signalOf(item))
		f.Hazards, f.Pictograms = union(f.Hazards, item.GetHazardStatements()), union(f.Pictograms, item.GetPictograms())
		if err := u.hazardsOfParents(ctx, f, parent, seen); err != nil {
			return fmt.Errorf("what %s is made of: %w", part.GetLot(), err)
		}
	}
	return nil
}

// union appends what is not there yet, into a list of its own.
func union(all, more []string) []string {
	all = slices.Clone(all)
	for _, m := range more {
		if !slices.Contains(all, m) {
			all = append(all, m)
		}
	}
	return all
}

// withoutZone is a rule of life for a label, whose last day has its zone beside it.
func withoutZone(rule string) string {
	rule, _, _ = strings.Cut(rule, ", counted in ")
	return rule
}
