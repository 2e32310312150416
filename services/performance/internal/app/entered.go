package app

import (
	"fmt"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
)

// measured is a value as entered, in the base unit of its dimension. Reasons: UNIT_UNKNOWN, UNIT_MISMATCH,
// VALUE_NOT_A_NUMBER.
func measured(field string, e *commonv1.Entered, want quantity.Dimension) (float64, error) {
	q, err := parse(field, e, want)
	if err != nil {
		return 0, err
	}
	return q.Canonical(), nil
}

// difference is a difference of temperatures as entered [K]: 9 °F are 5 K, whatever the scales' zeros. Reasons as measured.
func difference(field string, e *commonv1.Entered) (float64, error) {
	q, err := parse(field, e, quantity.Temperature)
	if err != nil {
		return 0, err
	}
	zero, err := quantity.Parse("0", q.Unit().Code)
	return q.Canonical() - zero.Canonical(), err
}

func parse(field string, e *commonv1.Entered, want quantity.Dimension) (quantity.Quantity, error) {
	q, err := quantity.Typed(e.GetText(), e.GetUnitCode())
	if err != nil {
		return q, err
	}
	if q.Unit().Dimension != want {
		return q, fault.Invalid(field, "UNIT_MISMATCH", "%s is not read in %q. Use a unit of %s.", field, q.Unit().Code, want)
	}
	return q, nil
}

// other is what the other unit system reads for a base unit: value·factor + offset.
var other = map[string]struct {
	factor, offset float64
	label          string
}{
	"Cel": {1.8, 32, "°F"}, "K": {1.8, 0, "°R"}, "N.m": {1 / 1.3558179483314004, 0, "lbf·ft"}, "kW": {1 / 0.74569987158227022, 0, "hp"},
	"kg/h": {1 / 0.45359237, 0, "lb/h"}, "m": {1 / 0.3048, 0, "ft"},
}

// step is one line of an explanation, in both unit systems where there are two.
func step(label string, value float64, unit, formula, source string) *commonv1.Explained {
	e := &commonv1.Explained{Label: label, Value: value, UnitCode: unit, Formula: formula, Source: source}
	if o, ok := other[unit]; ok {
		e.AlternateText = fmt.Sprintf("%.6g %s", value*o.factor+o.offset, o.label)
	}
	return e
}

// degrees is a line whose value is a difference of temperatures.
func degrees(label string, value float64, formula, source string) *commonv1.Explained {
	return &commonv1.Explained{
		Label: label, Value: value, UnitCode: "K", Formula: formula, Source: source, AlternateText: fmt.Sprintf("%+.6g °F of difference", value*1.8),
	}
}

// cite is a document in words, with the revision of the model that holds the data.
func cite(document *commonv1.DocumentReference, model *performancev1.EngineModel) string {
	words := document.GetTitle()
	if r := document.GetRevision(); r != "" {
		words += " revision " + r
	}
	if s := document.GetSection(); s != "" {
		words += ", " + s
	}
	return fmt.Sprintf("%s; %s, revision %d", words, model.GetName(), model.GetRevision())
}

// documentOf is where data come from: their own document, else the model's.
func documentOf(own *commonv1.DocumentReference, model *performancev1.EngineModel) *commonv1.DocumentReference {
	if own.GetTitle() != "" {
		return own
	}
	return model.GetDocument()
}
