package app

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

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

// signingRules says per meaning which verb signs it and what the signer must be authorized for.
var signingRules = map[commonv1.Signature_Meaning]rule{
	commonv1.Signature_PERFORMED: {"finish", "perform", "I did the work of this order as recorded."},
	commonv1.Signature_INSPECTED: {"inspect", "inspect", "I inspected the work of this order, which was done by somebody else."},
	commonv1.Signature_RELEASED: {"release", "release",
		"The work specified, except as stated, was carried out as recorded; in respect of that work the item is released for service. " +
			"Calculated values are to be confirmed against approved data."},
}

// PreviewSignature shows exactly what would be signed.
func (a *App) PreviewSignature(ctx context.Context, req *workordersv1.PreviewSignatureRequest) (*workordersv1.PreviewSignatureResponse, error) {
	rule, ok := signingRules[req.GetMeaning()]
	if !ok {
		return nil, fault.Invalid("meaning", "MEANING_UNKNOWN", "An order is signed as PERFORMED, INSPECTED or RELEASED.")
	}
	resp := &workordersv1.PreviewSignatureResponse{Meaning: req.GetMeaning()}
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		o, err := store.Orders.Get(ctx, tx, req.GetName())
		if err != nil {
			return err
		}
		c, err := u.contentOf(ctx, o, u.now)
		if err != nil {
			return err
		}
		resp.Statement, resp.ContentHash, resp.Missing = rule.statement(o, c, req.GetNotDone(), req.GetExceptionReason()), recordchain.Hash(c.fields), c.missing(req.GetMeaning())
		resp.Etag = o.GetEtag()
		if !slices.Contains(o.GetAllowedVerbs(), rule.verb) {
			resp.Missing = append(resp.Missing, fmt.Sprintf("The order is %s, which does not allow %q", o.GetState(), rule.verb))
		}
		return nil
	})
	return resp, err
}

// rule is what signing with a meaning takes.
type rule struct{ verb, scope, text string }

// statement is the text of a signature: what the order was, what was not done, what is carried over, and what is signed.
func (r rule) statement(o *workordersv1.WorkOrder, c content, notDone []string, exception string) string {
	text := fmt.Sprintf("Work order %s, %s, engine %s, card %s revision %d. Not done: %s. Carried over: %s. %s", o.GetNumber(), o.GetDisplayName(), o.GetEngineSerial(),
		o.GetTaskCard(), o.GetTaskCardRevision(), orNone(notDone), orNone(c.carried), r.text)
	if exception != "" {
		text += " Exception: the signer did work of this order and inspects it again, because: " + exception + "."
	}
	return text
}

func orNone(list []string) string {
	if len(list) == 0 {
		return "none"
	}
	return strings.Join(list, "; ")
}

// signing is one signing call.
type signing struct {
	name, etag, token, hash string
	meaning                 commonv1.Signature_Meaning
	notDone                 []string
	exception               string
}

// asked is what was asked and found before the transaction.
type asked struct {
	person, certificate, authorization string
	engine                             *compliancev1.Engine
}

// sign asks the gates, then signs in one transaction: proof used, content the one that was shown, person not the performer.
func (a *App) sign(ctx context.Context, req proto.Message, s signing, counters *workordersv1.Counters) (*workordersv1.WorkOrder, error) {
	order, err := store.Orders.Read(ctx, a.DB, s.name)
	if err != nil {
		return nil, err
	}
	proof, proofErr := a.Keys.VerifyReauth(ctx, s.token, a.Clock.Now())
	found, askErr := a.askForSignature(ctx, order, s)
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

func (a *App) askForSignature(ctx context.Context, order *workordersv1.WorkOrder, s signing) (asked, error) {
	id, _ := auth.FromContext(ctx)
	day, err := a.today(ctx, order)
	if err != nil {
		return asked{}, err
	}
	scopes := []string{signingRules[s.meaning].scope}
	if s.exception != "" {
		scopes = append(scopes, "reinspect-own-work")
	}
	answer, err := a.gate(ctx, id.Person, order.GetEngine(), day, scopes, nil)
	if err != nil {
		return asked{}, err
	}
	engine, err := a.engineOf(ctx, order.GetEngine())
	return asked{person: answer.GetPersonName(), certificate: answer.GetCertificate(), authorization: answer.GetResults()[0].GetEvidence(), engine: engine}, err
}

func (u unit) sign(ctx context.Context, s signing, proof auth.Reauth, found asked, counters *workordersv1.Counters) (*workordersv1.WorkOrder, error) {
	me, err := u.me()
	if err != nil {
		return nil, err
	}
	o, err := u.lock(ctx, s.name, s.etag)
	if err != nil {
		return nil, err
	}
	c, err := u.contentOf(ctx, o, u.now)
	if err != nil {
		return nil, err
	}
	if err := maySign(o, s, c, me); err != nil {
		return nil, err
	}
	r := signingRules[s.meaning]
	zone, err := u.zoneOf(ctx, o)
	if err != nil {
		return nil, err
	}
	sig := &commonv1.Signature{
		Name: u.app.newName(o.GetName()+"/signatures", ""), Meaning: s.meaning, Person: me, PersonName: found.person, Certificate: found.certificate, Authorization: found.authorization,
		SignTime: timestamppb.New(u.now), SignDate: civil(u.now.In(zone)), TimeZone: zone.String(), Statement: r.statement(o, c, s.notDone, s.exception), ContentHash: s.hash,
		AuthenticationMethod: proof.Method,
	}
	if err := store.Signatures.Insert(ctx, u.Tx, sig, u.now); err != nil {
		return nil, err
	}
	if err := u.chain(ctx, o, sig); err != nil {
		return nil, err
	}
	u.stampOrder(o, s, sig, found, counters)
	all, err := u.signaturesOf(ctx, o)
	if err != nil {
		return nil, err
	}
	return o, u.advance(ctx, o, r.verb, func(change *workordersv1.WorkOrderChanged) {
		change.Signatures, change.ContentHash, change.NotDone = all, s.hash, s.notDone
		if !c.wetted.IsZero() {
			change.LastWettingTime = timestamppb.New(c.wetted)
		}
	})
}

// maySign checks what was shown, what is missing, and that nobody inspects the own work.
func maySign(o *workordersv1.WorkOrder, s signing, c content, me string) error {
	if s.meaning == commonv1.Signature_INSPECTED {
		if err := flow.Inspects(c.people, me, s.exception, o.GetName()); err != nil {
			return err
		}
	}
	if _, _, err := flow.Next(flowOf(o), signingRules[s.meaning].verb, o.GetName()); err != nil {
		return err
	}
	if err := c.refuse(o.GetName(), s.meaning); err != nil {
		return err
	}
	if s.hash != recordchain.Hash(c.fields) {
		return fault.Precondition("CONTENT_CHANGED", "The record of %s is not the one that was shown. Look at it again and sign what you see.", o.GetName())
	}
	return nil
}

// stampOrder writes on the order what the signature means for it.
func (u unit) stampOrder(o *workordersv1.WorkOrder, s signing, sig *commonv1.Signature, found asked, counters *workordersv1.Counters) {
	switch s.meaning {
	case commonv1.Signature_PERFORMED:
		o.FinishTime, o.EndCounters = sig.GetSignTime(), counters
		if o.GetEndCounters() == nil {
			o.EndCounters = countersOf(found.engine)
		}
	case commonv1.Signature_INSPECTED:
		o.ReinspectionException = s.exception != ""
	default:
		o.ReleaseTime, o.ReleaseDate, o.ReleaseStatement = sig.GetSignTime(), sig.GetSignDate(), sig.GetStatement()
	}
}

func (u unit) signaturesOf(ctx context.Context, o *workordersv1.WorkOrder) ([]*commonv1.Signature, error) {
	condition, args := store.Under(o.GetName() + "/signatures")
	all, err := store.Signatures.Where(ctx, u.Tx, condition+" ORDER BY name", args...)
	slices.SortStableFunc(all, func(a, b *commonv1.Signature) int { return a.GetSignTime().AsTime().Compare(b.GetSignTime().AsTime()) })
	return slices.DeleteFunc(all, func(s *commonv1.Signature) bool { return s.GetVoidTime() != nil }), err
}

func (u unit) chain(ctx context.Context, o *workordersv1.WorkOrder, s *commonv1.Signature) error {
	_, _, err := recordchain.Append(ctx, u.Tx, recordchain.Entry{
		Stream: "signatures", Kind: strings.ToLower(s.GetMeaning().String()), Subject: o.GetName(), At: u.now, Actor: u.caller.Account,
		Fields: []recordchain.Field{
			{Name: "signature", Value: s.GetName()}, {Name: "person", Value: s.GetPerson()}, {Name: "name", Value: s.GetPersonName()}, {Name: "certificate", Value: s.GetCertificate()},
			{Name: "authorization", Value: s.GetAuthorization()}, {Name: "statement", Value: s.GetStatement()}, {Name: "content", Value: s.GetContentHash()},
			{Name: "date", Value: resource.DateText(s.GetSignDate())}, {Name: "zone", Value: s.GetTimeZone()}, {Name: "method", Value: s.GetAuthenticationMethod()},
		},
	})
	return err
}

// VerifySignature recomputes what a signature covers.
func (a *App) VerifySignature(ctx context.Context, name string) (*workordersv1.VerifySignatureResponse, error) {
	resp := &workordersv1.VerifySignatureResponse{}
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		u := a.unit(ctx, tx)
		s, err := store.Signatures.Get(ctx, tx, name)
		if err != nil {
			return err
		}
		o, err := store.Orders.Get(ctx, tx, orderOf(name))
		if err != nil {
			return err
		}
		c, err := u.contentOf(ctx, o, s.GetSignTime().AsTime())
		if err != nil {
			return err
		}
		bad, err := recordchain.Verify(ctx, tx, "signatures")
		if err != nil {
			return err
		}
		resp.RecomputedHash = recordchain.Hash(c.fields)
		resp.Valid = resp.GetRecomputedHash() == s.GetContentHash() && bad == 0 && s.GetVoidTime() == nil
		switch {
		case s.GetVoidTime() != nil:
			resp.Explanation = "The work was sent back after this signature; it covers the work as it was."
		case bad != 0:
			resp.Explanation = fmt.Sprintf("The chain of signatures is broken at entry %d.", bad)
		case !resp.GetValid():
			resp.Explanation = "The order's records are not those that were signed."
		}
		return nil
	})
	return resp, err
}
