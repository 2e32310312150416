package app

import (
	"context"
	"fmt"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// VerifySignature recomputes what a signature covers.
func (a *App) VerifySignature(ctx context.Context, name string) (resp *workordersv1.VerifySignatureResponse, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		s, err := store.Signatures.Get(ctx, tx, name)
		if err != nil {
			return err
		}
		resp, err = a.unit(ctx, tx).verify(ctx, s)
		return err
	})
	return resp, err
}

func (u unit) verify(ctx context.Context, s *commonv1.Signature) (*workordersv1.VerifySignatureResponse, error) {
	c, err := u.covered(ctx, s)
	if err != nil {
		return nil, err
	}
	bad, err := recordchain.Verify(ctx, u.Tx, signatures)
	if err != nil {
		return nil, err
	}
	entries, err := u.entriesOf(ctx, orderOf(s.GetName()))
	if err != nil {
		return nil, err
	}
	unended, err := u.unended(ctx)
	if err != nil {
		return nil, err
	}
	differs := entries.differs(s)
	resp := &workordersv1.VerifySignatureResponse{RecomputedHash: c.hash(s.GetStatement())}
	resp.Valid = resp.GetRecomputedHash() == s.GetContentHash() && bad == 0 && differs == "" && s.GetVoidTime() == nil
	switch {
	case s.GetVoidTime() != nil:
		resp.Explanation = "The work was sent back after this signature; it covers the work as it was."
	case bad != 0:
		resp.Explanation = fmt.Sprintf("The chain of signatures is broken at entry %d.", bad)
	case differs != "":
		resp.Explanation = "The signature is not the one that was made: " + differs + "."
	case !resp.GetValid():
		resp.Explanation = "The order's records are not those that were signed."
	case unended != "":
		resp.Explanation = "This signature holds, but others were taken away past the tool: " + unended + ". Ask quality to compare with a backup."
	}
	return resp, nil
}

// covered is what a signature covers, as the records say it now.
func (u unit) covered(ctx context.Context, s *commonv1.Signature) (content, error) {
	o, err := store.Orders.Get(ctx, u.Tx, orderOf(s.GetName()))
	if err != nil {
		return content{}, err
	}
	if s.GetSubject() == "" {
		return u.contentOf(ctx, o, s.GetSignTime().AsTime())
	}
	step, err := store.Steps.Get(ctx, u.Tx, s.GetSubject())
	if err != nil {
		return content{}, err
	}
	return u.contentOfStep(ctx, o, step, s.GetSignTime().AsTime())
}
