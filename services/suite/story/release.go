package story

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// release finishes, inspects and releases: three people, three fresh proofs, each over the exact text that was shown.
func (s *Story) release(ctx context.Context) error {
	if err := s.sign(ctx, "technician", commonv1.Signature_PERFORMED, s.finish); err != nil {
		return err
	}
	if err := s.refuseOwnInspection(ctx); err != nil {
		return err
	}
	if err := s.sign(ctx, "inspector", commonv1.Signature_INSPECTED, s.inspect); err != nil {
		return err
	}
	if err := s.sign(ctx, "releaser", commonv1.Signature_RELEASED, s.releaseOrder); err != nil {
		return err
	}
	return s.verifySignatures(ctx)
}

type signing func(ctx context.Context, a *actor, shown *workordersv1.PreviewSignatureResponse, proof string) (*workordersv1.WorkOrder, error)

// sign shows the signer what is to be signed, takes the proof, and signs just that.
func (s *Story) sign(ctx context.Context, who string, meaning commonv1.Signature_Meaning, verb signing) error {
	if err := s.at(s.world.now.Add(10 * time.Minute)); err != nil {
		return err
	}
	a := s.cast[who]
	shown, err := workordersv1.NewWorkOrdersQueryServiceClient(a).PreviewSignature(ctx,
		&workordersv1.PreviewSignatureRequest{Name: s.out.WorkOrder, Meaning: meaning})
	if err != nil {
		return err
	}
	if len(shown.GetMissing()) > 0 {
		return fmt.Errorf("%s can't sign yet: %v", who, shown.GetMissing())
	}
	proof, err := a.proof(ctx)
	if err != nil {
		return err
	}
	order, err := verb(ctx, a, shown, proof)
	if err != nil {
		return err
	}
	s.world.workOrder = order
	s.tell.Line("%s signed %s over %s…: order %s is %s.", a.person, meaning, shown.GetContentHash()[:16], order.GetNumber(), order.GetState())
	return nil
}

func (s *Story) finish(ctx context.Context, a *actor, shown *workordersv1.PreviewSignatureResponse, proof string) (*workordersv1.WorkOrder, error) {
	return workordersv1.NewWorkOrdersServiceClient(a).FinishWorkOrder(ctx, &workordersv1.FinishWorkOrderRequest{
		Name: s.out.WorkOrder, Etag: shown.GetEtag(), RequestId: s.key("finish"), ReauthenticationToken: proof, ContentHash: shown.GetContentHash(),
	})
}

func (s *Story) inspect(ctx context.Context, a *actor, shown *workordersv1.PreviewSignatureResponse, proof string) (*workordersv1.WorkOrder, error) {
	return workordersv1.NewWorkOrdersServiceClient(a).InspectWorkOrder(ctx, &workordersv1.InspectWorkOrderRequest{
		Name: s.out.WorkOrder, Etag: shown.GetEtag(), RequestId: s.key("inspect"), ReauthenticationToken: proof, ContentHash: shown.GetContentHash(),
	})
}

func (s *Story) releaseOrder(ctx context.Context, a *actor, shown *workordersv1.PreviewSignatureResponse, proof string) (*workordersv1.WorkOrder, error) {
	return workordersv1.NewWorkOrdersServiceClient(a).ReleaseWorkOrder(ctx, &workordersv1.ReleaseWorkOrderRequest{
		Name: s.out.WorkOrder, Etag: shown.GetEtag(), RequestId: s.key("release"), ReauthenticationToken: proof, ContentHash: shown.GetContentHash(),
	})
}

// refuseOwnInspection shows that the technician can't inspect the own work.
func (s *Story) refuseOwnInspection(ctx context.Context) error {
	_, err := s.inspectAs(ctx, s.cast["technician"])
	if c := status.Code(err); c != codes.PermissionDenied && c != codes.FailedPrecondition {
		return fmt.Errorf("the performer's own inspection was not refused: %w", err)
	}
	s.tell.Line("The technician tried to inspect the own work and was refused: %s", status.Convert(err).Message())
	return nil
}

func (s *Story) inspectAs(ctx context.Context, a *actor) (*workordersv1.WorkOrder, error) {
	proof, err := a.proof(ctx)
	if err != nil {
		return nil, err
	}
	return workordersv1.NewWorkOrdersServiceClient(a).InspectWorkOrder(ctx, &workordersv1.InspectWorkOrderRequest{
		Name: s.out.WorkOrder, Etag: s.world.workOrder.GetEtag(), RequestId: s.key("own inspection"), ReauthenticationToken: proof,
		ContentHash: "0000",
	})
}

func (s *Story) verifySignatures(ctx context.Context) error {
	orders := workordersv1.NewWorkOrdersQueryServiceClient(s.cast["quality"])
	signed, err := orders.ListSignatures(ctx, &workordersv1.ListSignaturesRequest{Parent: s.out.WorkOrder})
	if err != nil {
		return err
	}
	for _, sig := range signed.GetSignatures() {
		check, err := orders.VerifySignature(ctx, &workordersv1.VerifySignatureRequest{Name: sig.GetName()})
		if err != nil {
			return err
		}
		s.tell.Line("Signature %s by %s (%s) on %s still covers the record: %t.", sig.GetMeaning(), sig.GetPersonName(), sig.GetCertificate(),
			isoDate(sig.GetSignDate()), check.GetValid())
		if !check.GetValid() {
			return fmt.Errorf("signature %s: %s", sig.GetName(), check.GetExplanation())
		}
	}
	s.world.washTime = s.world.now
	return nil
}
