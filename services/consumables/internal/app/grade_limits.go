package app

import (
	"google.golang.org/protobuf/proto"

	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/quantity"
)

func cloneGrade(g *consumablesv1.WaterGrade) (*consumablesv1.WaterGrade, bool) {
	c, ok := proto.Clone(g).(*consumablesv1.WaterGrade)
	return c, ok
}

// limited is how a property is read and judged: its dimension, and what a canonical value is multiplied with to the unit of
// judgement.
type limited struct {
	dimension quantity.Dimension
	scale     float64
	into      *float64
}

// readLimits fills the limits of judgement from those that were entered. Reasons: GRADE_LIMIT_INVALID, UNIT_MISMATCH, and those of
// reading a quantity.
func readLimits(g *consumablesv1.WaterGrade) error {
	g.ConductivityMaxUsCm, g.PhMin, g.PhMax, g.SilicaMaxMgL, g.DissolvedSolidsMaxMgL = 0, 0, 0, 0, 0
	properties := map[consumablesv1.WaterLimit_Property]limited{
		consumablesv1.WaterLimit_CONDUCTIVITY: {quantity.Conductivity, 1, &g.ConductivityMaxUsCm}, consumablesv1.WaterLimit_PH: {quantity.Acidity, 1, &g.PhMax},
		consumablesv1.WaterLimit_SILICA: {quantity.Density, 1e6, &g.SilicaMaxMgL}, consumablesv1.WaterLimit_DISSOLVED_SOLIDS: {quantity.Density, 1e6, &g.DissolvedSolidsMaxMgL},
	}
	seen := map[consumablesv1.WaterLimit_Property]bool{}
	for _, l := range g.GetLimits() {
		p, known := properties[l.GetProperty()]
		if !known || seen[l.GetProperty()] {
			return fault.Invalid("water_grade.limits", "GRADE_LIMIT_INVALID", "%s is limited twice, or not known. Give each property once.", l.GetProperty())
		}
		seen[l.GetProperty()] = true
		if err := p.read(p.into, l.GetMaximum(), l); err != nil {
			return err
		}
		if l.GetProperty() == consumablesv1.WaterLimit_PH {
			if err := p.readAny(&g.PhMin, l.GetMinimum(), l); err != nil {
				return err
			}
		} else if l.GetMinimum() != "" {
			return fault.Invalid("water_grade.limits", "GRADE_LIMIT_INVALID", "Only a pH has a least value; %s has %q. Leave it out.", l.GetProperty(), l.GetMinimum())
		}
	}
	return nil
}

// read is readAny of what must be more than nothing.
func (p limited) read(into *float64, text string, l *consumablesv1.WaterLimit) error {
	if err := p.readAny(into, text, l); err != nil {
		return err
	}
	if *into <= 0 {
		return fault.Invalid("water_grade.limits", "GRADE_LIMIT_INVALID", "%s is limited to %s %s. Give more than zero, or leave the limit out.", l.GetProperty(), text, l.GetUnitCode())
	}
	return nil
}

func (p limited) readAny(into *float64, text string, l *consumablesv1.WaterLimit) error {
	q, err := quantity.Typed(text, l.GetUnitCode())
	if err != nil {
		return err
	}
	if q.Unit().Dimension != p.dimension {
		return fault.Invalid("water_grade.limits", "UNIT_MISMATCH", "%s is not limited in %q. Use a unit of %s.", l.GetProperty(), q.Unit().Code, p.dimension)
	}
	*into = q.Canonical() * p.scale
	return nil
}
