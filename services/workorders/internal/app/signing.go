package app

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/flow"
	"coldsection.example/services/workorders/internal/store"
)

// leeway between the clocks of a stopwatch and the server.
const leeway = 2 * time.Minute

// rule is what signing with a meaning takes.
type rule struct{ verb, scope string }

// signingRules says per meaning which verb signs it and what the signer must be authorized for.
var signingRules = map[commonv1.Signature_Meaning]rule{
	commonv1.Signature_PERFORMED: {"finish", "perform"}, commonv1.Signature_INSPECTED: {"inspect", "inspect"}, commonv1.Signature_RELEASED: {"release", "release"},
}

// PreviewSignature shows exactly what would be signed.
func (a *App) PreviewSignature(ctx context.Context, req *workordersv1.PreviewSignatureRequest) (resp *workordersv1.PreviewSignatureResponse, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		if orderOf(req.GetName()) != req.GetName() {
			resp, err = u.previewStep(ctx, req.GetName())
			return err
		}
		resp, err = u.preview(ctx, req)
		return err
	})
	return resp, err
}

func (u unit) preview(ctx context.Context, req *workordersv1.PreviewSignatureRequest) (*workordersv1.PreviewSignatureResponse, error) {
	rule, ok := signingRules[req.GetMeaning()]
	if !ok {
		return nil, fault.Invalid("meaning", "MEANING_UNKNOWN", "An order is signed as PERFORMED, INSPECTED or RELEASED. Name one of them.")
	}
	o, err := store.Orders.Get(ctx, u.Tx, req.GetName())
	if err != nil {
		return nil, err
	}
	c, err := u.contentOf(ctx, o, u.now)
	if err != nil {
		return nil, err
	}
	s := signing{
		meaning: req.GetMeaning(), notDone: req.GetNotDone(), exception: req.GetExceptionReason(), result: req.GetInspectionResult(), listDate: req.GetDiscrepancyListDate(),
	}
	resp := &workordersv1.PreviewSignatureResponse{Meaning: req.GetMeaning(), Etag: o.GetEtag(), Missing: slices.Concat(c.missing(s), s.listed(c))}
	if resp.Statement, err = u.statement(ctx, o, c, s); err != nil {
		return nil, err
	}
	resp.ContentHash = c.hash(resp.GetStatement())
	broken, err := u.brokenOf(ctx, o, s.meaning)
	for _, b := range broken {
		resp.Missing = append(resp.Missing, b.text())
	}
	if !slices.Contains(o.GetAllowedVerbs(), rule.verb) {
		resp.Missing = append(resp.Missing, fmt.Sprintf("The order is %s, which does not allow %q", o.GetState(), rule.verb))
	}
	return resp, err
}

// signing is one signing call.
type signing struct {
	name, etag, token, hash string
	meaning                 commonv1.Signature_Meaning
	notDone                 []string
	exception               string
	result                  workordersv1.InspectionResult // of a release
	listDate                *date.Date                    // of its list of discrepancies
}

// asked is what was asked and found before the transaction.
type asked struct {
	person, certificate, authorization string
	engine                             *compliancev1.Engine
	plane                              *compliancev1.Aircraft // whose total time was read with the signature; else nil
}

// complete refuses an entry that would not say who signed on which certificate (14 CFR 43.9(a)(3), (4)). Reason: ENTRY_INCOMPLETE.
func (f asked) complete() error {
	var missing []string
	if strings.TrimSpace(f.person) == "" {
		missing = append(missing, "the name of the person")
	}
	if strings.TrimSpace(f.certificate) == "" {
		missing = append(missing, "the kind and number of the certificate")
	}
	return incomplete(missing)
}

func incomplete(missing []string) error {
	if len(missing) == 0 {
		return nil
	}
	return fault.Precondition("ENTRY_INCOMPLETE", "The entry lacks %s. Have it entered, then sign.", strings.Join(missing, " and ")).With("missing", strings.Join(missing, ", "))
}

// wholeTime refuses a release without the aircraft's total time where the regime asks for it (14 CFR 43.11(a)(2)).
func (u unit) wholeTime(ctx context.Context, o *workordersv1.WorkOrder, meaning commonv1.Signature_Meaning) error {
	r, err := u.regimeOf(ctx, o)
	if err != nil || meaning != commonv1.Signature_RELEASED || !r.GetTotalTimeRequired() || o.GetEndCounters().GetAircraftSeconds() > 0 {
		return err
	}
	return incomplete([]string{"the aircraft's total time in service"})
}

// sign asks the gates, then signs in one transaction: proof used, content the one that was shown, person not the performer.
func (a *App) sign(ctx context.Context, req proto.Message, s signing, counters *workordersv1.Counters) (*workordersv1.WorkOrder, error) {
	order, err := store.Orders.Read(ctx, a.DB, s.name)
	if err != nil {
		return nil, err
	}
	proof, proofErr := a.Keys.VerifyReauth(ctx, s.token, a.Clock.Now())
	scopes := []string{signingRules[s.meaning].scope}
	if s.exception != "" {
		scopes = append(scopes, "reinspect-own-work")
	}
	found, askErr := a.askForSignature(ctx, order, scopes)
	if askErr == nil && s.meaning == commonv1.Signature_PERFORMED {
		askErr = a.wasThere(ctx, order, found.engine)
	}
	if askErr == nil {
		found.plane, askErr = a.planeOf(ctx, order, counters)
	}
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.WorkOrder, error) {
		// Both are looked at only here, so that a repeated request gets its first answer.
		if proofErr != nil {
			return nil, proofErr
		}
		if askErr != nil {
			return nil, askErr
		}
		u := a.unit(ctx, tx)
		if err := auth.UseProof(ctx, tx, proof, u.now); err != nil {
			return nil, err
		}
		return u.sign(ctx, s, proof, found, counters)
	})
}

func (a *App) askForSignature(ctx context.Context, order *workordersv1.WorkOrder, scopes []string) (asked, error) {
	id, _ := auth.FromContext(ctx)
	day, err := a.today(ctx, order)
	if err != nil {
		return asked{}, err
	}
	answer, err := a.gate(ctx, id.Person, order.GetEngine(), day, scopes, nil)
	if err != nil {
		return asked{}, err
	}
	engine, err := a.engineOf(ctx, order.GetEngine())
	return asked{person: answer.GetPersonName(), certificate: answer.GetCertificate(), authorization: answer.GetResults()[0].GetEvidence(), engine: engine}, err
}

func (u unit) sign(ctx context.Context, s signing, proof auth.Reauth, found asked, counters *workordersv1.Counters) (*workordersv1.WorkOrder, error) {
	o, err := u.lock(ctx, s.name, s.etag)
	if err != nil {
		return nil, err
	}
	c, err := u.contentOf(ctx, o, u.now)
	if err != nil {
		return nil, err
	}
	text, err := u.statement(ctx, o, c, s)
	if err != nil {
		return nil, err
	}
	if err := u.maySign(ctx, o, s, c, text, found); err != nil {
		return nil, err
	}
	sig, err := u.newSignature(ctx, o, s.meaning, found, proof)
	if err != nil {
		return nil, err
	}
	sig.Statement, sig.ContentHash = text, s.hash
	if err := u.keepSignature(ctx, o, sig); err != nil {
		return nil, err
	}
	if err := u.stampOrder(ctx, o, s, sig, c, found, counters); err != nil {
		return nil, err
	}
	if s.meaning == commonv1.Signature_RELEASED && !s.notAirworthy() { // what was not passed put nothing right
		if err := u.putRight(ctx, o, c.people); err != nil {
			return nil, err
		}
	}
	all, err := u.signaturesOf(ctx, o)
	if err != nil {
		return nil, err
	}
	var stand []*workordersv1.StepReading
	if s.meaning == commonv1.Signature_RELEASED {
		if stand, err = u.standing(ctx, o); err != nil {
			return nil, err
		}
	}
	return o, u.advance(ctx, o, signingRules[s.meaning].verb, func(change *workordersv1.WorkOrderChanged) {
		change.Signatures, change.ContentHash, change.NotDone = all, s.hash, slices.Concat(s.notDone, c.omitted)
		change.StepReadings = stand
		change.InspectionResult, change.Discrepancies, change.DiscrepancyListDate = resultText(o.GetInspectionResult()), o.GetDiscrepancies(), o.GetDiscrepancyListDate()
		if !c.wetted.IsZero() {
			change.LastWettingTime = timestamppb.New(c.wetted)
		}
	})
}

// newSignature is a signature of the caller, here and now; what it covers is added by who signs.
func (u unit) newSignature(ctx context.Context, o *workordersv1.WorkOrder, meaning commonv1.Signature_Meaning, found asked, proof auth.Reauth) (*commonv1.Signature, error) {
	me, err := u.me()
	if err != nil {
		return nil, err
	}
	zone, err := u.zoneOf(ctx, o)
	if err != nil {
		return nil, err
	}
	return &commonv1.Signature{
		Name: u.app.newName(o.GetName()+"/signatures", ""), Meaning: meaning, Person: me, PersonName: found.person, Certificate: found.certificate,
		Authorization: found.authorization, SignTime: timestamppb.New(u.now), SignDate: civil(u.now.In(zone)), TimeZone: zone.String(), AuthenticationMethod: proof.Method,
	}, nil
}

// keepSignature writes a signature and adds it to the chain.
func (u unit) keepSignature(ctx context.Context, o *workordersv1.WorkOrder, sig *commonv1.Signature) error {
	if err := store.Signatures.Insert(ctx, u.Tx, sig, u.now); err != nil {
		return err
	}
	return u.chain(ctx, o, sig)
}

// maySign checks what was shown, what is missing, that nobody inspects the own work, and that what was signed before still holds.
func (u unit) maySign(ctx context.Context, o *workordersv1.WorkOrder, s signing, c content, text string, found asked) error {
	me, err := u.me()
	if err != nil {
		return err
	}
	switch s.meaning {
	case commonv1.Signature_INSPECTED:
		err = flow.Inspects(c.people, me, s.exception, o.GetName())
	case commonv1.Signature_PERFORMED:
		err = u.apart(ctx, o, me, 0)
	default:
	}
	if err != nil {
		return err
	}
	if _, _, err := flow.Next(flowOf(o), signingRules[s.meaning].verb, o.GetName()); err != nil {
		return err
	}
	if err := u.standFast(ctx, o, s.meaning); err != nil {
		return err
	}
	if err := c.refuse(o.GetName(), s); err != nil {
		return err
	}
	if err := found.complete(); err != nil {
		return err
	}
	if err := u.wholeTime(ctx, o, s.meaning); err != nil {
		return err
	}
	zone, err := u.zoneOf(ctx, o)
	if err != nil {
		return err
	}
	if err := s.mayList(c, civil(u.now.In(zone))); err != nil {
		return err
	}
	if s.hash != c.hash(text) {
		return changed(o.GetName())
	}
	return nil
}

func changed(name string) error {
	return fault.Precondition("CONTENT_CHANGED", "The record of %s is not the one that was shown. Look at it again and sign what you see.", name)
}

// stampOrder writes on the order what the signature means for it.
func (u unit) stampOrder(ctx context.Context, o *workordersv1.WorkOrder, s signing, sig *commonv1.Signature, c content, found asked, counters *workordersv1.Counters) error {
	switch s.meaning {
	case commonv1.Signature_PERFORMED:
		end, err := found.countersAtEnd(o, counters, sig.GetSignDate())
		if err != nil {
			return err
		}
		o.FinishTime, o.EndCounters = sig.GetSignTime(), end
	case commonv1.Signature_INSPECTED:
		o.ReinspectionException = s.exception != ""
	default:
		r, err := u.regimeOf(ctx, o)
		if err != nil {
			return err
		}
		s.stampResult(o, r, c)
		o.ReleaseTime, o.ReleaseDate, o.ReleaseStatement, o.RegimeRevision = sig.GetSignTime(), sig.GetSignDate(), sig.GetStatement(), r.GetRevision()
		return u.retain(ctx, o, workordersv1.Retention_RELEASED_WORK, o.GetReleaseDate())
	}
	return nil
}

func (u unit) signaturesOf(ctx context.Context, o *workordersv1.WorkOrder) ([]*commonv1.Signature, error) {
	condition, args := store.Under(o.GetName() + "/signatures")
	all, err := store.Signatures.Where(ctx, u.Tx, condition+" ORDER BY name", args...)
	slices.SortStableFunc(all, func(a, b *commonv1.Signature) int { return a.GetSignTime().AsTime().Compare(b.GetSignTime().AsTime()) })
	return slices.DeleteFunc(all, func(s *commonv1.Signature) bool { return s.GetVoidTime() != nil }), err
}

func (u unit) chain(ctx context.Context, o *workordersv1.WorkOrder, s *commonv1.Signature) error {
	_, _, err := recordchain.Append(ctx, u.Tx, recordchain.Entry{
		Stream: signatures, Kind: strings.ToLower(s.GetMeaning().String()), Subject: o.GetName(), At: u.now, Actor: u.caller.Account,
		Fields: chained(s),
	})
	return err
}

// chained is what the chain keeps of a signature.
func chained(s *commonv1.Signature) []recordchain.Field {
	return []recordchain.Field{
		{Name: "signature", Value: s.GetName()}, {Name: "person", Value: s.GetPerson()}, {Name: "name", Value: s.GetPersonName()}, {Name: "certificate", Value: s.GetCertificate()},
		{Name: "authorization", Value: s.GetAuthorization()}, {Name: "statement", Value: s.GetStatement()}, {Name: "content", Value: s.GetContentHash()},
		{Name: "date", Value: resource.DateText(s.GetSignDate())}, {Name: "zone", Value: s.GetTimeZone()}, {Name: "method", Value: s.GetAuthenticationMethod()},
	}
}
