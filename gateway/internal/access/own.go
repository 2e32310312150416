package access

import (
	"context"
	"strings"

	"github.com/boombuler/barcode/qr"

	"coldsection.example/gateway/internal/accounts"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
)

// DescribeOwnSessions lists the sessions that the caller's account has open, and says whether it has a second factor.
func (s *Sessions) DescribeOwnSessions(ctx context.Context, _ *accessv1.DescribeOwnSessionsRequest) (*accessv1.DescribeOwnSessionsResponse, error) {
	id, _ := auth.FromContext(ctx)
	list, err := s.Store.OwnSessions(ctx, id)
	if err != nil {
		return nil, err
	}
	account, err := accounts.Accounts.Read(ctx, s.Store.DB, id.Account)
	return &accessv1.DescribeOwnSessionsResponse{Sessions: list, SecondFactor: account.GetSecondFactor()}, err
}

// EndOwnSession ends one of them.
func (s *Sessions) EndOwnSession(ctx context.Context, req *accessv1.EndOwnSessionRequest) (*accessv1.EndOwnSessionResponse, error) {
	id, _ := auth.FromContext(ctx)
	return &accessv1.EndOwnSessionResponse{}, s.Store.EndOwnSession(ctx, id, req.GetSessionId())
}

// ChangeUnitSystem chooses the unit system that the caller's account reads amounts in.
func (s *Sessions) ChangeUnitSystem(ctx context.Context, req *accessv1.ChangeUnitSystemRequest) (*accessv1.ChangeUnitSystemResponse, error) {
	id, _ := auth.FromContext(ctx)
	return &accessv1.ChangeUnitSystemResponse{UnitSystem: req.GetUnitSystem()}, s.Store.ChooseUnits(ctx, id, req.GetUnitSystem())
}

// qrRows are the modules of a text's QR code, row by row: "1" is dark.
func qrRows(text string) ([]string, error) {
	code, err := qr.Encode(text, qr.M, qr.Auto)
	if err != nil {
		return nil, err
	}
	size := code.Bounds().Dx()
	rows := make([]string, size)
	for y := range rows {
		var row strings.Builder
		for x := range size {
			if r, _, _, _ := code.At(x, y).RGBA(); r == 0 {
				row.WriteByte('1')
			} else {
				row.WriteByte('0')
			}
		}
		rows[y] = row.String()
	}
	return rows, nil
}
