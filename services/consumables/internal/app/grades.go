package app

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/consumables/internal/store"
	"coldsection.example/services/consumables/internal/water"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

const waterGrades = "waterGrades/"

// CreateWaterGrade signs a grade of the operator's own.
func (a *App) CreateWaterGrade(ctx context.Context, req *consumablesv1.CreateWaterGradeRequest) (*consumablesv1.WaterGrade, error) {
	proof, proofErr := a.Keys.VerifyReauth(ctx, req.GetReauthenticationToken(), a.Clock.Now())
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.WaterGrade, error) {
		u, grade := a.unit(ctx, tx), req.GetWaterGrade()
		resource.ClearOutputOnly(grade)
		grade.Name = a.newName("waterGrades", req.GetWaterGradeId())
		if err := notPublished(grade.GetName()); err != nil {
			return nil, err
		}
		if err := u.sign(ctx, grade, proof, proofErr); err != nil {
			return nil, err
		}
		if err := store.WaterGrades.Insert(ctx, tx, grade, u.now); err != nil {
			return nil, err
		}
		return grade, u.keepRevision(ctx, grade)
	})
}

// ReviseWaterGrade signs a new revision of a grade.
func (a *App) ReviseWaterGrade(ctx context.Context, req *consumablesv1.ReviseWaterGradeRequest) (*consumablesv1.WaterGrade, error) {
	proof, proofErr := a.Keys.VerifyReauth(ctx, req.GetReauthenticationToken(), a.Clock.Now())
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*consumablesv1.WaterGrade, error) {
		u, grade := a.unit(ctx, tx), req.GetWaterGrade()
		if err := notPublished(req.GetName()); err != nil {
			return nil, err
		}
		old, err := store.WaterGrades.Lock(ctx, tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := resource.CheckEtag(old, req.GetEtag()); err != nil {
			return nil, err
		}
		resource.ClearOutputOnly(grade)
		grade.Name, grade.Etag, grade.Revision, grade.RevisionReason = old.GetName(), old.GetEtag(), old.GetRevision(), req.GetReason()
		if err := u.sign(ctx, grade, proof, proofErr); err != nil {
			return nil, err
		}
		if err := store.WaterGrades.Save(ctx, tx, grade, u.now); err != nil {
			return nil, err
		}
		return grade, u.keepRevision(ctx, grade)
	})
}

// notPublished refuses to change a table that a standard published. Reason: GRADE_PUBLISHED.
func notPublished(name string) error {
	if g, ok := water.Published[strings.TrimPrefix(name, waterGrades)]; ok {
		return fault.Precondition("GRADE_PUBLISHED", "%s is %s as it was published, and nobody changes that. Sign a grade of your own under another id.", name, g.Source)
	}
	return nil
}

// sign checks a grade, fills in its limits in the units of judgement, and makes it the next revision, signed by the caller in the
// chain of records. Reasons: DOCUMENT_REVISION_MISSING, REAUTHENTICATION_NEEDED, and those of limits.
func (u unit) sign(ctx context.Context, grade *consumablesv1.WaterGrade, proof auth.Reauth, proofErr error) error {
	if strings.TrimSpace(grade.GetDocument().GetRevision()) == "" {
		return fault.Invalid("water_grade.document.revision", "DOCUMENT_REVISION_MISSING", "A grade names the document that states it and its revision. Add both.")
	}
	if err := readLimits(grade); err != nil {
		return err
	}
	if err := judged(grade).Check(); err != nil {
		return err
	}
	grade.Revision++
	grade.Signer, grade.SignTime = who(u.caller), timestamppb.New(u.now)
	fields := signedFields(grade)
	grade.ContentHash = recordchain.Hash(fields)
	return u.chain(ctx, "water_grades", grade.GetName(), fields, proof, proofErr)
}

// chain uses up the proof of who signs, and adds what is signed to the chain of a kind of records. Reason: REAUTHENTICATION_NEEDED.
func (u unit) chain(ctx context.Context, stream, subject string, fields []recordchain.Field, proof auth.Reauth, proofErr error) error {
	if proofErr != nil {
		return proofErr
	}
	if err := auth.UseProof(ctx, u.Tx, proof, u.now); err != nil {
		return err
	}
	_, _, err := recordchain.Append(ctx, u.Tx, recordchain.Entry{
		Stream: stream, Kind: "signed", Subject: subject, At: u.now, Actor: u.caller.Account, Fields: fields,
	})
	return err
}

// signedFields are all that a signature stands for, in a fixed order.
func signedFields(g *consumablesv1.WaterGrade) []recordchain.Field {
	fields := []recordchain.Field{
		{Name: "grade", Value: g.GetName()}, {Name: "revision", Value: fmt.Sprint(g.GetRevision())}, {Name: "title", Value: g.GetDisplayName()},
		{Name: "document", Value: g.GetDocument().GetTitle()}, {Name: "document_revision", Value: g.GetDocument().GetRevision()}, {Name: "section", Value: g.GetDocument().GetSection()},
		{Name: "treatment", Value: g.GetTemperatureTreatment().String()}, {Name: "retest_days", Value: fmt.Sprint(g.GetRetestDays())},
		{Name: "reason", Value: g.GetRevisionReason()}, {Name: "signer", Value: g.GetSigner()},
	}
	for _, l := range g.GetLimits() {
		fields = append(fields, recordchain.Field{Name: l.GetProperty().String(), Value: l.GetMinimum() + " to " + l.GetMaximum() + " " + l.GetUnitCode()})
	}
	for _, s := range g.GetSteps() {
		fields = append(fields, recordchain.Field{Name: "step", Value: fmt.Sprintf("%v %v", s.GetTemperatureC(), s.GetConductivityMaxUsCm())})
	}
	return fields
}

// keepRevision keeps a revision beside the newest, and tells of it.
func (u unit) keepRevision(ctx context.Context, grade *consumablesv1.WaterGrade) error {
	kept, _ := cloneGrade(grade)
	kept.Name = revisionName(grade.GetName(), grade.GetRevision())
	if err := store.WaterGradeRevisions.Insert(ctx, u.Tx, kept, u.now); err != nil {
		return err
	}
	return u.publish(ctx, "coldsection.stock.grade.signed.v1", grade.GetName(), &consumablesv1.WaterGradeSigned{
		WaterGrade: grade.GetName(), Revision: grade.GetRevision(), Signer: grade.GetSigner(), ContentHash: grade.GetContentHash(),
	})
}

func revisionName(grade string, revision int32) string { return fmt.Sprintf("%s@%d", grade, revision) }

// WaterGrades are the published grades and the operator's own, by name.
func (a *App) WaterGrades(ctx context.Context) ([]*consumablesv1.WaterGrade, error) {
	var grades []*consumablesv1.WaterGrade
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		grades, err = store.WaterGrades.Where(ctx, tx, "1 = 1")
		return err
	})
	for id := range water.Published {
		grades = append(grades, published(id))
	}
	slices.SortFunc(grades, func(a, b *consumablesv1.WaterGrade) int { return strings.Compare(a.GetName(), b.GetName()) })
	return grades, err
}

func published(id string) *consumablesv1.WaterGrade {
	g := water.Published[id]
	shown := &consumablesv1.WaterGrade{
		Name: waterGrades + id, DisplayName: g.Source, ConductivityMaxUsCm: g.ConductivityMax, PhMin: g.PHMin, PhMax: g.PHMax,
		SilicaMaxMgL: g.SilicaMax, DissolvedSolidsMaxMgL: g.SolidsMax, Document: &commonv1.DocumentReference{Title: g.Source},
		TemperatureTreatment: consumablesv1.WaterGrade_REFERRED,
	}
	if g.Stepped {
		shown.TemperatureTreatment = consumablesv1.WaterGrade_STEPPED_TABLE
	}
	return shown
}

// GetWaterGrade reads a grade, or one revision of an operator's own.
func (a *App) GetWaterGrade(ctx context.Context, req *consumablesv1.GetWaterGradeRequest) (*consumablesv1.WaterGrade, error) {
	if id := strings.TrimPrefix(req.GetName(), waterGrades); water.Published[id].Source != "" {
		if req.GetRevision() != 0 {
			return nil, noRevision(req.GetName(), req.GetRevision())
		}
		return published(id), nil
	}
	var grade *consumablesv1.WaterGrade
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		grade, err = a.unit(ctx, tx).ownGrade(ctx, req.GetName(), req.GetRevision())
		return err
	})
	return grade, err
}

func noRevision(name string, revision int32) error {
	return fault.New(fault.NotFound, "GRADE_REVISION_UNKNOWN", "%s has no revision %d. Leave the revision out for the newest.", name, revision)
}

// ownGrade reads an operator's own grade, the newest revision when none is named. Reasons: NOT_FOUND, GRADE_REVISION_UNKNOWN.
func (u unit) ownGrade(ctx context.Context, name string, revision int32) (*consumablesv1.WaterGrade, error) {
	grade, err := store.WaterGrades.Get(ctx, u.Tx, name)
	if err != nil || revision == 0 || revision == grade.GetRevision() {
		return grade, err
	}
	kept, err := store.WaterGradeRevisions.Where(ctx, u.Tx, "name = $1", revisionName(name, revision))
	if err != nil {
		return nil, err
	}
	if len(kept) == 0 {
		return nil, noRevision(name, revision)
	}
	kept[0].Name = name
	return kept[0], nil
}

// gradeFor is what a test is judged against; the test names the revision. Reasons: WATER_GRADE_UNKNOWN, GRADE_REVISION_UNKNOWN.
func (u unit) gradeFor(ctx context.Context, test *consumablesv1.WaterTest, lot *consumablesv1.Lot, item *consumablesv1.Item) (water.Grade, error) {
	grade, ok := water.Published[strings.TrimPrefix(test.GetGrade(), waterGrades)]
	if ok && item.GetKind() == consumablesv1.Item_WATER {
		if test.GetGradeRevision() != 0 {
			return grade, noRevision(test.GetGrade(), test.GetGradeRevision())
		}
		return grade, nil
	}
	own, err := u.ownGrade(ctx, test.GetGrade(), test.GetGradeRevision())
	if fault.HasReason(err, "NOT_FOUND") || item.GetKind() != consumablesv1.Item_WATER {
		return grade, fault.Precondition("WATER_GRADE_UNKNOWN", "%s of item %s can't be judged against grade %q. Name a grade of ListWaterGrades on the item or the test.",
			lot.GetName(), item.GetName(), test.GetGrade())
	}
	if err != nil {
		return grade, err
	}
	test.GradeRevision = own.GetRevision()
	return judged(own), nil
}

// judged is a grade of the operator's as readings are judged by it.
func judged(g *consumablesv1.WaterGrade) water.Grade {
	grade := water.Grade{
		ConductivityMax: g.GetConductivityMaxUsCm(), PHMin: g.GetPhMin(), PHMax: g.GetPhMax(), SilicaMax: g.GetSilicaMaxMgL(), SolidsMax: g.GetDissolvedSolidsMaxMgL(),
		ReadAt25: g.GetTemperatureTreatment() == consumablesv1.WaterGrade_READ_AT_25, Stepped: g.GetTemperatureTreatment() == consumablesv1.WaterGrade_STEPPED_TABLE,
		Source: fmt.Sprintf("%s, revision %d: %s %s", g.GetDisplayName(), g.GetRevision(), g.GetDocument().GetTitle(), g.GetDocument().GetRevision()),
	}
	for _, s := range g.GetSteps() {
		grade.Steps = append(grade.Steps, water.Step{Temperature: s.GetTemperatureC(), Limit: s.GetConductivityMaxUsCm()})
	}
	return grade
}
