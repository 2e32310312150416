package app

import (
	"context"
	"fmt"
	"regexp"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/ghs"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
	"coldsection.example/services/platform/resource"
)

// Codes of the GHS: hazard statements H200 to H499 with their text, pictograms GHS01 to GHS09.
var (
	statement = regexp.MustCompile(`^(EUH\d{3}[A-Z]?|H[234]\d{2}[A-Za-z]{0,3})( ?\+ ?H[234]\d{2})*[ :.-]+\S`)
	pictogram = regexp.MustCompile(`^GHS0[1-9]$`)
)

func (u unit) createItem(ctx context.Context, item *consumablesv1.Item, itemID string) (string, error) {
	resource.ClearOutputOnly(item)
	base, err := quantity.Lookup(item.GetBaseUnitCode())
	if err != nil {
		return "", err
	}
	if code := base.Code; code != "L" && code != "kg" && code != "{each}" {
		return "", fault.Invalid("item.base_unit_code", "UNIT_MISMATCH", "The ledger counts in L, kg or {each}, not in %q. Choose one of them.", code)
	}
	item.BaseUnitCode = base.Code
	if err := checkItem(item); err != nil {
		return "", err
	}
	item.Name = u.app.newName("items", itemID)
	if err := store.Items.Insert(ctx, u.Tx, item, u.now); err != nil {
		return "", err
	}
	return item.GetName(), u.itemFact(ctx, "created", item)
}

// checkItem refuses data that no label or rule could be made of. Reasons: HAZARD_CODE_INVALID, SIGNAL_WORD_WRONG, SIGNAL_WORD_NEEDED,
// STORAGE_LIMITS_REVERSED, DOCUMENT_REVISION_MISSING, and those of amounts.
func checkItem(item *consumablesv1.Item) error {
	for _, s := range item.GetHazardStatements() {
		if !statement.MatchString(s) {
			return fault.Invalid("item.hazard_statements", "HAZARD_CODE_INVALID",
				"%.80q is not a GHS hazard statement: the code and its text, such as \"H319 Causes serious eye irritation\", for the code alone is no label. Give both.", s)
		}
	}
	for _, p := range item.GetPictograms() {
		if !pictogram.MatchString(p) {
			return fault.Invalid("item.pictograms", "HAZARD_CODE_INVALID", "%.40q is not a GHS pictogram. Use GHS01 to GHS09.", p)
		}
	}
	if _, err := ghs.Settle(ghs.Word(item.GetSignalWord()), item.GetHazardStatements()); err != nil {
		return err
	}
	if item.StorageMinC != nil && item.StorageMaxC != nil && item.GetStorageMinC() >= item.GetStorageMaxC() {
		return fault.Invalid("item.storage_max_c", "STORAGE_LIMITS_REVERSED", "It can't be stored from %g up to %g °C. Give the lower limit first.", item.GetStorageMinC(), item.GetStorageMaxC())
	}
	if err := checkUses(item); err != nil {
		return err
	}
	for i, pack := range item.GetPackSizes() {
		if _, err := amountAt(fmt.Sprintf("item.pack_sizes[%d].quantity", i), pack.GetQuantity(), item); err != nil {
			return err
		}
	}
	_, err := policyOf(item)
	if fault.HasReason(err, "REORDER_POLICY_MISSING") {
		return nil
	}
	return err
}

// answered refuses to clear a lot whose item asks a question that nobody answered. Reason: INSPECTION_INCOMPLETE.
func answered(lot *consumablesv1.Lot, item *consumablesv1.Item) error {
	given := map[string]consumablesv1.InspectionAnswer_Answer{}
	for _, a := range lot.GetAnswers() {
		given[a.GetQuestion()] = a.GetAnswer()
		if a.GetAnswer() == consumablesv1.InspectionAnswer_NO {
			return fault.Precondition("INSPECTION_INCOMPLETE", "The inspection of %s answered No to %q. Put it right and answer again, or send it back.",
				lot.GetName(), a.GetQuestion())
		}
	}
	for _, q := range item.GetReceivingQuestions() {
		if given[q] == consumablesv1.InspectionAnswer_ANSWER_UNSPECIFIED {
			return fault.Precondition("INSPECTION_INCOMPLETE", "The inspection of %s did not answer %q. Answer it.", lot.GetName(), q).With("question", q)
		}
	}
	return nil
}

// addAnswers keeps the newest answer to each question.
func addAnswers(lot *consumablesv1.Lot, answers []*consumablesv1.InspectionAnswer) {
	for _, a := range answers {
		replaced := false
		for i, old := range lot.GetAnswers() {
			if old.GetQuestion() == a.GetQuestion() {
				lot.Answers[i], replaced = a, true
			}
		}
		if !replaced {
			lot.Answers = append(lot.Answers, a)
		}
	}
}
