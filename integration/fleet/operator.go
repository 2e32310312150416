package main

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	commonv1 "coldsection.example/proto/coldsection/common/v1"
	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/suite"
)

const (
	passphrase = "an invented fleet's passphrase"
	modelID    = "fleet-model"
	largest    = 20 << 20 // bytes of a message
	keyLife    = 5        // years
)

// operator is a fresh suite with the fleet's engines and one account that enters everything.
type operator struct {
	suite     *suite.Suite
	conn      *grpc.ClientConn
	dir       string
	clockFile string
	token     string
}

// open starts the suite at a time, in a scratch folder.
func open(ctx context.Context, at time.Time) (o *operator, err error) {
	o = &operator{}
	if o.dir, err = os.MkdirTemp("", "coldsection-fleet-"); err != nil {
		return nil, err
	}
	o.clockFile = filepath.Join(o.dir, "clock")
	if err := o.setClock(at); err != nil {
		return nil, errors.Join(err, o.close())
	}
	log := slog.New(slog.NewJSONHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelError}))
	config := suite.Config{StateDir: o.dir, HTTP: "127.0.0.1:0", GRPC: "127.0.0.1:0", ClockFile: o.clockFile}
	if o.suite, err = suite.Start(ctx, config, log); err != nil {
		return nil, errors.Join(err, o.close())
	}
	o.conn, err = grpc.NewClient(o.suite.GRPCAddress(), grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(largest), grpc.MaxCallSendMsgSize(largest)))
	if err != nil {
		return nil, errors.Join(err, o.close())
	}
	if err := o.enter(ctx, at); err != nil {
		return nil, errors.Join(err, o.close())
	}
	return o, nil
}

func (o *operator) setClock(at time.Time) error { return clock.SetFile(o.clockFile, at) }

func (o *operator) close() (err error) {
	if o.conn != nil {
		err = o.conn.Close()
	}
	if o.suite != nil {
		o.suite.Stop()
	}
	return errors.Join(err, os.RemoveAll(o.dir))
}

// enter lets the first administrator in, and makes a key for a machine account that lasts as the clock runs through years.
func (o *operator) enter(ctx context.Context, at time.Time) error {
	session, err := accessv1.NewSessionServiceClient(o.conn).AcceptInvitation(ctx,
		&accessv1.AcceptInvitationRequest{Token: o.suite.FirstAdminToken(), Password: passphrase})
	if err != nil {
		return err
	}
	o.token = session.GetToken()
	accounts := accessv1.NewAccessServiceClient(o.conn)
	account, err := accounts.CreateAccount(o.as(ctx), &accessv1.CreateAccountRequest{AccountId: "fleet", Account: &accessv1.Account{
		Login: "fleet", DisplayName: "Fleet", Roles: []string{"analyst", "planner"}, Kind: accessv1.Account_MACHINE,
	}})
	if err != nil {
		return err
	}
	key, err := accounts.CreateApiKey(o.as(ctx), &accessv1.CreateApiKeyRequest{
		Parent: account.GetName(), ApiKey: &accessv1.ApiKey{DisplayName: "fleet", ExpireTime: stamp(at.AddDate(keyLife, 0, 0))},
	})
	if err != nil {
		return err
	}
	o.token = key.GetSecret()
	return nil
}

func (o *operator) as(ctx context.Context) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+o.token)
}

func engineName(serial string) string { return "engines/" + strings.ToLower(serial) }

// equip adds the model and the engines.
func (o *operator) equip(ctx context.Context, f *folder, at time.Time) error {
	ctx = o.as(ctx)
	_, err := performancev1.NewPerformanceServiceClient(o.conn).CreateEngineModel(ctx, &performancev1.CreateEngineModelRequest{
		EngineModelId: modelID, EngineModel: &performancev1.EngineModel{
			DisplayName: "Fleet model", DemonstrationOnly: true, Document: &commonv1.DocumentReference{Title: "Fleet baseline (demonstration only)", Revision: "A"},
			Baseline: &performancev1.Baseline{Points: f.baseline},
		},
	})
	if err != nil {
		return err
	}
	day := &date.Date{Year: int32(at.Year()), Month: int32(at.Month()), Day: int32(at.Day())}
	for _, serial := range f.serials() {
		_, err := compliancev1.NewComplianceServiceClient(o.conn).CreateEngine(ctx, &compliancev1.CreateEngineRequest{
			EngineId: strings.ToLower(serial), Engine: &compliancev1.Engine{
				Serial: serial, EngineModel: "engineModels/" + modelID, Counters: &compliancev1.Counters{}, CountersDate: day,
			},
		})
		if err != nil {
			return err
		}
	}
	return nil
}
