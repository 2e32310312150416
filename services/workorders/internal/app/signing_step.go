package app

import (
	"context"
	"fmt"
	"slices"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// stepMeaning is what signing a step of a kind says, and the scope that it takes.
func stepMeaning(kind workordersv1.StepKind) (meaning commonv1.Signature_Meaning, scope string) {
	switch {
	case kind == workordersv1.StepKind_STEP_KIND_WITNESS:
		return commonv1.Signature_WITNESSED, "inspect"
	case slices.Contains(byAnother, kind):
		return commonv1.Signature_INSPECTED, "inspect"
	default:
		return commonv1.Signature_PERFORMED, "perform"
	}
}

// SignStep signs a step by who did it, with a fresh proof.
func (a *App) SignStep(ctx context.Context, req *workordersv1.SignStepRequest) (*workordersv1.Step, error) {
	order, err := store.Orders.Read(ctx, a.DB, orderOf(req.GetName()))
	if err != nil {
		return nil, err
	}
	step, err := store.Steps.Read(ctx, a.DB, req.GetName())
	if err != nil {
		return nil, err
	}
	proof, proofErr := a.Keys.VerifyReauth(ctx, req.GetReauthenticationToken(), a.Clock.Now())
	_, scope := stepMeaning(step.GetKind())
	found, askErr := a.askForSignature(ctx, order, append([]string{scope}, step.GetRequiredAuthorizations()...))
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Step, error) {
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
		return u.signStep(ctx, req, proof, found)
	})
}

func (u unit) signStep(ctx context.Context, req *workordersv1.SignStepRequest, proof auth.Reauth, found asked) (*workordersv1.Step, error) {
	o, err := u.started(ctx, orderOf(req.GetName()))
	if err != nil {
		return nil, err
	}
	step, err := store.Steps.Lock(ctx, u.Tx, req.GetName())
	if err != nil {
		return nil, err
	}
	if err := resource.CheckEtag(step, req.GetEtag()); err != nil {
		return nil, err
	}
	if err := u.maySignStep(step, found); err != nil {
		return nil, err
	}
	c, err := u.contentOfStep(ctx, o, step, u.now)
	if err != nil {
		return nil, err
	}
	text := stepStatement(o, step)
	if c.hash(text) != req.GetContentHash() {
		return nil, changed(step.GetName())
	}
	meaning, _ := stepMeaning(step.GetKind())
	sig, err := u.newSignature(ctx, o, meaning, found, proof)
	if err != nil {
		return nil, err
	}
	sig.Subject, sig.Statement, sig.ContentHash = step.GetName(), text, req.GetContentHash()
	if err := u.keepSignature(ctx, o, sig); err != nil {
		return nil, err
	}
	step.Signature = sig.GetName()
	if err := store.Steps.Save(ctx, u.Tx, step, u.now); err != nil {
		return nil, err
	}
	return step, u.tellStep(ctx, "step.signed", o, step)
}

// maySignStep: who did the step signs it, once. Reasons: STATE_NOT_ALLOWED, ALREADY_SIGNED, NOT_YOUR_STEP, ENTRY_INCOMPLETE.
func (u unit) maySignStep(step *workordersv1.Step, found asked) error {
	switch {
	case step.GetSignature() != "":
		return fault.Precondition("ALREADY_SIGNED", "Step %d is signed by %s already. Open it again if it is to be done anew, which ends that signature.", step.GetPosition(), step.GetSignature())
	case step.GetState() != workordersv1.Step_DONE && step.GetState() != workordersv1.Step_NOT_APPLICABLE:
		return fault.Precondition("STATE_NOT_ALLOWED", "Step %d is %s. Do it first, then sign it.", step.GetPosition(), step.GetState()).With("state", step.GetState().String())
	case step.GetPerformer() == "" || step.GetPerformer() != u.caller.Person:
		return fault.Precondition("NOT_YOUR_STEP", "Step %d was done by %s, and a step is signed by who did it. Ask for that signature.", step.GetPosition(), step.GetPerformer())
	default:
		return found.complete()
	}
}

// stepStatement is the text of a step's signature.
func stepStatement(o *workordersv1.WorkOrder, step *workordersv1.Step) string {
	text := "I did this step as recorded."
	switch meaning, _ := stepMeaning(step.GetKind()); meaning {
	case commonv1.Signature_INSPECTED:
		text = "I inspected this work, which was done by somebody else, as recorded."
	case commonv1.Signature_WITNESSED:
		text = "I saw this being done, as recorded."
	default:
	}
	return fmt.Sprintf("Work order %s, engine %s, step %d, %s: %s. %s", o.GetNumber(), o.GetEngineSerial(), step.GetPosition(), step.GetTitle(), step.GetState(), text)
}

// previewStep shows what signing a step would sign.
func (u unit) previewStep(ctx context.Context, name string) (*workordersv1.PreviewSignatureResponse, error) {
	step, err := store.Steps.Get(ctx, u.Tx, name)
	if err != nil {
		return nil, err
	}
	o, err := store.Orders.Get(ctx, u.Tx, orderOf(name))
	if err != nil {
		return nil, err
	}
	c, err := u.contentOfStep(ctx, o, step, u.now)
	if err != nil {
		return nil, err
	}
	meaning, _ := stepMeaning(step.GetKind())
	resp := &workordersv1.PreviewSignatureResponse{Meaning: meaning, Statement: stepStatement(o, step), Etag: step.GetEtag()}
	resp.ContentHash = c.hash(resp.GetStatement())
	if step.GetState() == workordersv1.Step_OPEN {
		resp.Missing = append(resp.Missing, fmt.Sprintf("Step %d, %s, is open", step.GetPosition(), step.GetTitle()))
	}
	return resp, nil
}
