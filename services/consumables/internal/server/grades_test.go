package server_test

import (
	"context"
	"strings"
	"testing"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/storage"
)

// proof is a fresh proof of a person.
func (d desk) proof(person string) string {
	d.t.Helper()
	return of(d.keys.MintProof(auth.Reauth{Account: "accounts/" + person, Person: "people/" + person, ID: ids.System().New(), At: d.clock.Now(), Method: "password"})).done(d.t)
}

// ownGrade is an invented grade of the operator's.
func ownGrade() *consumablesv1.WaterGrade {
	return &consumablesv1.WaterGrade{
		DisplayName: "Rinse water, demonstration only", Document: &commonv1.DocumentReference{Title: "INV-MAN 72", Revision: "4"},
		Limits: []*consumablesv1.WaterLimit{
			{Property: consumablesv1.WaterLimit_CONDUCTIVITY, Maximum: "0,6", UnitCode: "mS/m"}, {Property: consumablesv1.WaterLimit_PH, Minimum: "5.5", Maximum: "8", UnitCode: "[pH]"},
			{Property: consumablesv1.WaterLimit_DISSOLVED_SOLIDS, Maximum: "3", UnitCode: "mg/L"},
		},
	}
}

func (d desk) signedGrade(grade *consumablesv1.WaterGrade) (*consumablesv1.WaterGrade, error) {
	return d.CreateWaterGrade(d.as("quinn", "quality"), &consumablesv1.CreateWaterGradeRequest{WaterGrade: grade, WaterGradeId: "rinse", ReauthenticationToken: d.proof("quinn")})
}

func (d desk) judgedBy(lot, conductivity, grade string, revision int32) (*consumablesv1.WaterTest, error) {
	test := reading(conductivity, "25")
	test.Grade, test.GradeRevision = grade, revision
	return d.CreateWaterTest(d.clerk(), &consumablesv1.CreateWaterTestRequest{Parent: lot, WaterTest: test})
}

// B4: 0.6 mS/m is 6 µS/cm (SI: 1 mS/m is 10 µS/cm). A revision changes what later tests are judged by; each names its revision, and
// an earlier one can still be named.
func TestOwnGradesHaveRevisions(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("water", "w1", "20", days(60)).GetName()
		first := of(d.signedGrade(ownGrade())).done(t)
		if first.GetRevision() != 1 || first.GetSigner() != "people/quinn" ||
			len(first.GetContentHash()) != 64 || first.GetConductivityMaxUsCm() != 6 || !first.GetSignTime().AsTime().Equal(morning) {
			t.Errorf("signed %v", first)
		}
		fact := &consumablesv1.WaterGradeSigned{}
		if d.published("coldsection.stock.grade.signed.v1", fact); fact.GetContentHash() != first.GetContentHash() || fact.GetRevision() != 1 {
			t.Errorf("fact %v", fact)
		}
		if got := of(d.judgedBy(lot, "6", first.GetName(), 0)).done(t); got.GetVerdict() != consumablesv1.WaterTest_PASSED || got.GetGradeRevision() != 1 ||
			!strings.Contains(got.GetChecks()[0].GetSource(), "revision 1: INV-MAN 72 4") {
			t.Errorf("on the limit: %v", got)
		}
		stricter := ownGrade()
		stricter.Limits[0].Maximum, stricter.Document.Revision = "0.4", "5"
		second := of(d.ReviseWaterGrade(d.as("quinn", "quality"), &consumablesv1.ReviseWaterGradeRequest{
			Name: first.GetName(), Etag: first.GetEtag(), WaterGrade: stricter, Reason: "the manual changed", ReauthenticationToken: d.proof("quinn"),
		})).done(t)
		if second.GetRevision() != 2 || second.GetContentHash() == first.GetContentHash() || second.GetRevisionReason() != "the manual changed" {
			t.Errorf("revised %v", second)
		}
		for revision, want := range map[int32]consumablesv1.WaterTest_Verdict{0: consumablesv1.WaterTest_FAILED, 1: consumablesv1.WaterTest_PASSED, 2: consumablesv1.WaterTest_FAILED} {
			got := of(d.judgedBy(lot, "6", first.GetName(), revision)).done(t)
			if named := max(1, revision); got.GetVerdict() != want || revision > 0 && got.GetGradeRevision() != named || revision == 0 && got.GetGradeRevision() != 2 {
				t.Errorf("revision %d: %s by %d", revision, got.GetVerdict(), got.GetGradeRevision())
			}
		}
		kept := of(d.GetWaterGrade(d.clerk(), &consumablesv1.GetWaterGradeRequest{Name: first.GetName(), Revision: 1})).done(t)
		if kept.GetName() != first.GetName() || kept.GetConductivityMaxUsCm() != 6 || kept.GetContentHash() != first.GetContentHash() {
			t.Errorf("kept %v", kept)
		}
		listed := of(d.ListWaterGrades(d.clerk(), &consumablesv1.ListWaterGradesRequest{})).done(t).GetWaterGrades()
		if len(listed) != 9 || listed[7].GetName() != first.GetName() || listed[7].GetRevision() != 2 {
			t.Errorf("listed %v", listed)
		}
		of(0, d.db.View(t.Context(), func(ctx context.Context, tx *storage.Tx) error {
			broken, err := recordchain.Verify(ctx, tx, "water_grades")
			if err != nil || broken != 0 {
				t.Errorf("the chain breaks at %d (%v)", broken, err)
			}
			var n int
			if err := tx.QueryRow(ctx, "SELECT COUNT(*) FROM record_chain WHERE stream = 'water_grades' AND subject = 'waterGrades/rinse'").Scan(&n); err != nil || n != 2 {
				t.Errorf("%d entries in the chain (%v)", n, err)
			}
			return nil
		})).done(t)
	})
}

// A stepped table of the operator's judges raw readings by its rows.
func TestAnOwnSteppedTable(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		lot := d.stocked("water", "w1", "20", days(60)).GetName()
		grade := ownGrade()
		grade.Limits, grade.TemperatureTreatment = grade.GetLimits()[1:], consumablesv1.WaterGrade_STEPPED_TABLE
		grade.Steps = []*consumablesv1.WaterStep{{TemperatureC: 15, ConductivityMaxUsCm: 4}, {TemperatureC: 25, ConductivityMaxUsCm: 5}}
		of(d.signedGrade(grade)).done(t)
		for temperature, want := range map[string]consumablesv1.WaterTest_Verdict{"24": consumablesv1.WaterTest_FAILED, "25": consumablesv1.WaterTest_PASSED} {
			test := reading("4.5", temperature)
			test.Grade = "waterGrades/rinse"
			got := of(d.CreateWaterTest(d.clerk(), &consumablesv1.CreateWaterTestRequest{Parent: lot, WaterTest: test})).done(t)
			if got.GetVerdict() != want || got.GetTreatment() != consumablesv1.WaterTest_STEPPED {
				t.Errorf("at %s: %v", temperature, got)
			}
		}
	})
}

// What standards published is nobody's to change, and a bad table is no grade.
func TestGradesThatAreRefused(t *testing.T) {
	desks(t, func(t *testing.T, d desk) {
		for what, c := range map[string]struct {
			change func(*consumablesv1.WaterGrade)
			reason string
		}{
			"without a revision":   {func(g *consumablesv1.WaterGrade) { g.Document.Revision = "" }, "DOCUMENT_REVISION_MISSING"},
			"without conductivity": {func(g *consumablesv1.WaterGrade) { g.Limits = g.GetLimits()[1:] }, "GRADE_LIMIT_MISSING"},
			"limits not entered":   {func(g *consumablesv1.WaterGrade) { g.Limits, g.ConductivityMaxUsCm = nil, 5 }, "GRADE_LIMIT_MISSING"},
			"twice":                {func(g *consumablesv1.WaterGrade) { g.Limits = append(g.GetLimits(), g.GetLimits()[0]) }, "GRADE_LIMIT_INVALID"},
			"of nothing":           {func(g *consumablesv1.WaterGrade) { g.Limits[0].Maximum = "0" }, "GRADE_LIMIT_INVALID"},
			"least conductivity":   {func(g *consumablesv1.WaterGrade) { g.Limits[0].Minimum = "1" }, "GRADE_LIMIT_INVALID"},
			"the other way round":  {func(g *consumablesv1.WaterGrade) { g.Limits[1].Minimum = "9" }, "GRADE_LIMIT_INVALID"},
			"ten times too much":   {func(g *consumablesv1.WaterGrade) { g.Limits[0].Maximum, g.Limits[0].UnitCode = "60", "S/m" }, "GRADE_LIMIT_INVALID"},
			"in litres":            {func(g *consumablesv1.WaterGrade) { g.Limits[0].UnitCode = "L" }, "UNIT_MISMATCH"},
			"no number":            {func(g *consumablesv1.WaterGrade) { g.Limits[0].Maximum = "five" }, "VALUE_NOT_A_NUMBER"},
			"a table of one row": {func(g *consumablesv1.WaterGrade) {
				g.Limits, g.TemperatureTreatment = g.GetLimits()[1:], consumablesv1.WaterGrade_STEPPED_TABLE
				g.Steps = []*consumablesv1.WaterStep{{TemperatureC: 20, ConductivityMaxUsCm: 5}}
			}, "GRADE_TABLE_INVALID"},
			"a table for nothing": {func(g *consumablesv1.WaterGrade) {
				g.Steps = []*consumablesv1.WaterStep{{TemperatureC: 20, ConductivityMaxUsCm: 5}}
			}, "GRADE_TABLE_INVALID"},
		} {
			grade := ownGrade()
			c.change(grade)
			_, err := d.signedGrade(grade)
			refused(t, what, err, c.reason)
		}
		_, err := d.CreateWaterGrade(d.as("quinn", "quality"), &consumablesv1.CreateWaterGradeRequest{WaterGrade: ownGrade(), ReauthenticationToken: d.proof("other")})
		refused(t, "another's proof", err, "REAUTHENTICATION_NEEDED")
		_, err = d.CreateWaterGrade(d.as("quinn", "quality"), &consumablesv1.CreateWaterGradeRequest{WaterGrade: ownGrade(), WaterGradeId: "iso3696-3", ReauthenticationToken: d.proof("quinn")})
		refused(t, "the standard's id", err, "GRADE_PUBLISHED")
		_, err = d.ReviseWaterGrade(d.as("quinn", "quality"), &consumablesv1.ReviseWaterGradeRequest{
			Name: "waterGrades/iso3696-3", WaterGrade: ownGrade(), Reason: "softer", ReauthenticationToken: d.proof("quinn"),
		})
		refused(t, "the standard itself", err, "GRADE_PUBLISHED")
		if n := len(of(d.ListWaterGrades(d.clerk(), &consumablesv1.ListWaterGradesRequest{})).done(t).GetWaterGrades()); n != 8 {
			t.Errorf("%d grades", n)
		}
		of(d.signedGrade(ownGrade())).done(t)
		_, err = d.ReviseWaterGrade(d.as("quinn", "quality"), &consumablesv1.ReviseWaterGradeRequest{
			Name: "waterGrades/rinse", Etag: "v9", WaterGrade: ownGrade(), Reason: "late", ReauthenticationToken: d.proof("quinn"),
		})
		refused(t, "read too early", err, "ETAG_MISMATCH")
		lot := d.stocked("water", "w1", "20", days(60)).GetName()
		for revision, grade := range map[int32]string{7: "waterGrades/rinse", 1: "waterGrades/iso3696-3"} {
			_, err = d.judgedBy(lot, "4", grade, revision)
			refused(t, grade, err, "GRADE_REVISION_UNKNOWN")
		}
		_, err = d.judgedBy(lot, "4", "waterGrades/none", 0)
		refused(t, "no grade", err, "WATER_GRADE_UNKNOWN")
	})
}
