package server_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode"

	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/printing/printingtest"
)

// Names as long as the contract takes, in scripts that the fonts have and that they lack, without a blank to break a line at: on every medium a
// label is drawn that others read and on which every letter stands, with words that are cut where no medium has room for them whole; or it is refused
// with its reason.
func TestLabelsOfTheLongestNames(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		media := of(d.ListLabelMedia(d.clerk(), &consumablesv1.ListLabelMediaRequest{})).done(t).GetLabelMedia()
		for i, c := range []struct {
			name, maker string
			least       string // the smallest medium that it fits on; empty where the fonts lack its letters
		}{
			{strings.Repeat("W", 120), strings.Repeat("8", 40), "105x74"},
			{strings.TrimSpace(strings.Repeat("Reiniger für Verdichter ", 5)), "ÄÖÜß-1", "100x50"},
			{strings.Repeat("Промывочная жидкость для компрессора ", 3)[:160], "ЛОТ-42", "100x50"},
			{"\u5727\u7e2e\u6a5f\u6d17\u6d44\u6db2", "L-1", ""},
			{"منظف الضاغط", "L-2", ""},
			{"cleaner 🧴 e\u0301", "ロット42", "100x50"},
		} {
			id := fmt.Sprintf("long%d", i)
			item, _ := proto.Clone(hazardous).(*consumablesv1.Item)
			item.DisplayName = strings.TrimSpace(c.name)
			of(d.CreateItem(d.clerk(), &consumablesv1.CreateItemRequest{ItemId: id, Item: item})).done(t)
			draft := d.draftOf(id, id, time.Date(2027, 1, 31, 0, 0, 0, 0, time.UTC))
			draft.ManufacturerLot = c.maker
			lot := of(d.ReceiveLot(d.clerk(), &consumablesv1.ReceiveLotRequest{LotId: id, Location: shelf, Quantity: litres("5"), Lot: draft})).done(t)
			for _, m := range append(media, nil) {
				resp, err := d.RenderLabel(d.clerk(), &consumablesv1.RenderLabelRequest{Name: lot.GetName(), LabelMedium: m.GetName(), LinkBase: "https://stores.example/console"})
				switch {
				case c.least == "":
					refused(t, c.name, err, "LABEL_LETTERS_MISSING")
					continue
				case m != nil && smaller(media, m.GetName(), "labelMedia/"+c.least):
					refused(t, c.name+" on "+m.GetName(), err, "LABEL_MEDIA_TOO_SMALL")
					continue
				case err != nil:
					t.Errorf("%s on %v: %v", c.name, m, err)
					continue
				}
				if m == nil {
					d.checkLabelCode(resp, "\x1d91270131"+lot.GetShortCode(), "https://stores.example/console/lots/"+lot.GetShortCode())
					if resp.GetMedium().GetName() != "labelMedia/"+c.least {
						t.Errorf("%s is on %v without a wish", c.name, resp.GetMedium())
					}
				}
				checkLetters(t, resp, item.GetDisplayName()+c.maker)
				if dir := os.Getenv("COLDSECTION_TEST_KEEP"); dir != "" {
					of(0, os.WriteFile(filepath.Join(dir, fmt.Sprintf("%s-%s.pdf", id, strings.ReplaceAll(resp.GetMedium().GetName(), "/", "-"))), resp.GetPdf(), 0o600)).done(t)
				}
			}
		}
	})
}

// smaller says whether a medium stands before another one in the list.
func smaller(media []*consumablesv1.LabelMedium, name, other string) bool {
	at := func(name string) int {
		return slices.IndexFunc(media, func(m *consumablesv1.LabelMedium) bool { return m.GetName() == name })
	}
	return at(name) < at(other)
}

// checkLetters checks that a label has as many of each letter as a text at least; lines lie among others, so that their order says nothing.
func checkLetters(t *testing.T, resp *consumablesv1.RenderLabelResponse, want string) {
	t.Helper()
	text := printingtest.Text(t, resp.GetPdf())
	for _, r := range want {
		if letter := string(r); unicode.IsLetter(r) && r < 0x3000 && strings.Count(text, letter) < strings.Count(want, letter) {
			t.Errorf("%s has %q %d times, want %d", resp.GetMedium().GetName(), letter, strings.Count(text, letter), strings.Count(want, letter))
			return
		}
	}
}
