// Package regimes holds the sample regimes that the suite ships: how signatures are worded and what may be put off. They are to be
// replaced by the organisation's approved wording before use.
package regimes

import (
	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/workorders/internal/wording"
)

// General is the regime of an order that names none.
const General = "regimes/general"

const (
	what      = "Work order {number}, {title}, engine {engine}, card {card} revision {revision}. Not done: {not_done}. Carried over: {deferred}. "
	performed = what + "I did the work of this order as recorded."
	inspected = what + "I inspected the work of this order, which was done by somebody else."
	confirm   = " Calculated values are to be confirmed against approved data."
	record    = "Work order {number}: {title}, engine {engine}, card {card} revision {revision}, completed on {date} at {counters}. Not done: {not_done}. Deferred: {deferred}. " +
		"Independent inspection by {inspected_by}. "
)

// equipment are the repair categories of minimum equipment lists (FAA MMEL policy letter 25, EASA CS-MMEL; from memory).
func equipment() []*workordersv1.DeferralCategory {
	const source = "minimum equipment list, repair category; from memory, replace by the approved list"
	return []*workordersv1.DeferralCategory{
		{Category: "B", Days: 3, Source: source}, {Category: "C", Days: 10, Source: source}, {Category: "D", Days: 120, Source: source},
	}
}

// The floors of retention, as the rules have them.
var (
	ownerFAA  = &workordersv1.RetentionFloor{Months: 12, Source: "14 CFR 91.417(b)(1): until repeated or superseded, or 1 year"}
	shopFAA   = &workordersv1.RetentionFloor{Months: 24, Source: "14 CFR 145.219(c): 2 years from the approval for return to service"}
	ownerEASA = &workordersv1.RetentionFloor{Months: 36, Source: "M.A.305(e)2: not less than 36 months"}
	shopEASA  = &workordersv1.RetentionFloor{Months: 36, Source: "145.A.55(a)(3): 3 years from the release"}
)

// floors are how long records of a sample are kept at least; the general one has the longest of all.
var floors = map[string][]*workordersv1.RetentionFloor{
	General: {ownerFAA, shopFAA, ownerEASA, shopEASA}, "regimes/faa-maintenance": {ownerFAA, shopFAA}, "regimes/faa-inspection": {ownerFAA, shopFAA},
	"regimes/easa-145": {shopEASA, ownerEASA},
}

// Samples are the shipped regimes.
func Samples() []*workordersv1.Regime {
	next := &workordersv1.DeferralCategory{
		Category: "91.213(d)(2)", PlacardRequired: true, Source: "14 CFR 91.213(d)(2), 91.405(c): until the next required inspection",
	}
	all := []*workordersv1.Regime{
		{
			Name: General, DisplayName: "General (sample)", ReleasedText: what +
				"The work specified, except as stated, was carried out as recorded; in respect of that work the item is released for service." + confirm,
		},
		{
			Name: "regimes/faa-maintenance", DisplayName: "FAA, entry of maintenance (sample)", DeferralCategories: append(equipment(), next),
			// 14 CFR 43.9 has no fixed phrase: signature, certificate number and kind are the approval.
			ReleasedText: record + "The work described above is approved for return to service." + confirm,
		},
		{
			Name: "regimes/easa-145", DisplayName: "EASA Part-145, certificate of release to service (sample)", DeferralCategories: equipment(),
			// The phrase of the acceptable means of compliance to Part-145 and Part-M; not hard law, and replaceable.
			ReleasedText: record + "Certifies that the work specified except as otherwise specified was carried out in accordance with Part-145 and in respect to that work the " +
				"aircraft/aircraft component is considered ready for release to service." + confirm,
		},
		{
			Name: "regimes/faa-inspection", DisplayName: "FAA, entry of an inspection (sample)", DeferralCategories: append(equipment(), next), TotalTimeRequired: true,
			// 14 CFR 43.11(a)(4), "the following or similarly worded".
			ReleasedText: record + "I certify that this aircraft has been inspected in accordance with {title} inspection and was determined to be in airworthy condition." + confirm,
			// 14 CFR 43.11(a)(5), "the following or similarly worded".
			NotAirworthyText: record + "I certify that this aircraft has been inspected in accordance with {title} inspection and a list of discrepancies and unairworthy items " +
				"dated {list_date} has been provided for the aircraft owner or operator. On the list: {discrepancies}." + confirm,
		},
	}
	for _, r := range all {
		r.Revision, r.Sample, r.PerformedText, r.InspectedText = 1, true, performed, inspected
		r.RetentionFloors = floors[r.GetName()]
		r.Document = &commonv1.DocumentReference{Title: "Sample wording of the suite, to be replaced by approved wording", Revision: "1"}
	}
	return all
}

// Check refuses a regime that could not word a signature or that limits one category twice. Reasons: PATTERN_UNKNOWN,
// PATTERN_INCOMPLETE, CATEGORY_TWICE.
func Check(r *workordersv1.Regime) error {
	for field, pattern := range map[string]string{"regime.performed_text": r.GetPerformedText(), "regime.inspected_text": r.GetInspectedText()} {
		if err := wording.Check(field, pattern); err != nil {
			return err
		}
	}
	if err := wording.Check("regime.released_text", r.GetReleasedText(), "not_done", "deferred"); err != nil {
		return err
	}
	if text := r.GetNotAirworthyText(); text != "" {
		if err := wording.Check("regime.not_airworthy_text", text, "not_done", "deferred", "discrepancies", "list_date"); err != nil {
			return err
		}
	}
	seen := map[string]bool{}
	for _, c := range r.GetDeferralCategories() {
		if seen[c.GetCategory()] {
			return fault.Invalid("regime.deferral_categories", "CATEGORY_TWICE", "Category %q is there twice. Keep one.", c.GetCategory())
		}
		seen[c.GetCategory()] = true
	}
	return nil
}

// Category is a category of a regime. Reason: CATEGORY_UNKNOWN.
func Category(r *workordersv1.Regime, id string) (*workordersv1.DeferralCategory, error) {
	for _, c := range r.GetDeferralCategories() {
		if c.GetCategory() == id {
			return c, nil
		}
	}
	return nil, fault.Invalid("category", "CATEGORY_UNKNOWN", "%s has no category %q. Name one of its own, or defer without a category on the basis of approved data.", r.GetName(), id)
}
