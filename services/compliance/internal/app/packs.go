package app

import (
	"context"
	"crypto/ed25519"
	"log/slog"
	"strings"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/operations"
	"coldsection.example/services/platform/recordpack"
	"coldsection.example/services/platform/storage"
)

// packMaking is the kind of operation that makes a record pack.
const packMaking = "records.pack"

// maxPackBytes is what one message can carry.
const maxPackBytes = 18 << 20

// OpenOperations makes the service's long-running operations; the other fields of App are set before.
func (a *App) OpenOperations(log *slog.Logger) {
	a.Operations = operations.New(operations.Deps{Part: "compliance", DB: a.DB, Clock: a.Clock, IDs: a.IDs, Lister: a.Lister, Log: log},
		operations.Kind{Name: packMaking, Open: a.openPack}, operations.Kind{Name: fleetImport, Open: a.openBulk})
}

// CreateRecordPack begins a record pack. What can't be packed is refused at once. Reasons: TIME_IN_FUTURE, NOT_KNOWN_THEN, ALREADY_EXISTS.
func (a *App) CreateRecordPack(ctx context.Context, req *compliancev1.CreateRecordPackRequest) (*longrunningpb.Operation, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*longrunningpb.Operation, error) {
		u := a.unit(ctx, tx)
		pack := req.GetRecordPack()
		t, _, err := u.timesOf(pack.GetAsOfTime(), pack.GetKnownAtTime())
		if err != nil {
			return nil, err
		}
		want := &compliancev1.RecordPack{
			Name: a.newName("recordPacks", req.GetRecordPackId()), Subject: pack.GetSubject(), AsOfTime: timestamppb.New(t.at), KnownAtTime: timestamppb.New(t.known),
			Creator: u.caller.Account, LimitedTo: limitedTo(ctx),
		}
		if _, err := store.RecordPacks.Get(ctx, tx, want.GetName()); err == nil {
			return nil, fault.New(fault.AlreadyExists, "ALREADY_EXISTS", "%s exists. Choose another id.", want.GetName())
		}
		if _, err := u.seeThen(ctx, pack.GetSubject(), t, nil); err != nil {
			return nil, err
		}
		return a.Operations.Start(ctx, tx, packMaking, want, nil)
	})
}

// openPack makes a pack in one part: nothing of it is kept before it is whole.
func (a *App) openPack(_ context.Context, in operations.Input) (*operations.Job, error) {
	want, _ := in.Request.(*compliancev1.RecordPack)
	return &operations.Job{Rows: 1, Result: &compliancev1.RecordPack{}, Work: func(ctx context.Context, tx *storage.Tx, step *operations.Step) error {
		pack := proto.CloneOf(want)
		content, err := a.unit(ctx, tx).pack(ctx, pack)
		if err != nil {
			return err
		}
		step.Result = pack
		return store.AddPack(ctx, tx, pack, content, a.Clock.Now())
	}}, nil
}

// sealKey signs packs. It follows from the secret of the installation, so every process has the same.
func (a *App) sealKey() ed25519.PrivateKey {
	return ed25519.NewKeyFromSeed(a.Keys.Derive("record packs")[0])
}

// pack gathers records and seals them, and says in p what came of it. Reason: PACK_TOO_LARGE.
func (u unit) pack(ctx context.Context, p *compliancev1.RecordPack) ([]byte, error) {
	g, err := u.gather(ctx, p)
	if err != nil {
		return nil, err
	}
	files, err := g.files()
	if err != nil {
		return nil, err
	}
	p.ContentSha256 = recordpack.ContentHash(files)
	p.Number = "RP-" + strings.ToUpper(p.GetContentSha256()[:12])
	index, err := g.index(p, files)
	if err != nil {
		return nil, err
	}
	files = append(files, recordpack.File{Path: "index.pdf", MediaType: "application/pdf", Content: index})
	key := u.app.sealKey()
	content, err := recordpack.Make(recordpack.About{
		Number: p.GetNumber(), Subject: p.GetSubject(), Label: g.label, AsOf: stamp(p.GetAsOfTime()), KnownAt: stamp(p.GetKnownAtTime()),
	}, files, key)
	if err != nil {
		return nil, err
	}
	if len(content) > maxPackBytes {
		return nil, fault.Precondition("PACK_TOO_LARGE", "The records of %s take %d bytes; a pack holds at most %d. Make packs of what is fitted to it.",
			p.GetSubject(), len(content), maxPackBytes)
	}
	p.Sha256, p.ByteCount, p.FileCount, p.PublicKey = recordpack.Sum(content), int64(len(content)), int32(len(files)), recordpack.PublicKey(key)
	return content, nil
}

// DownloadRecordPack gives a pack out.
func (a *App) DownloadRecordPack(ctx context.Context, req *compliancev1.DownloadRecordPackRequest) (resp *compliancev1.DownloadRecordPackResponse, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		p, err := packFor(ctx, tx, req.GetName())
		if err != nil {
			return err
		}
		resp = &compliancev1.DownloadRecordPackResponse{MediaType: "application/zip", FileName: p.GetNumber() + ".zip"}
		resp.Content, err = store.PackContent(ctx, tx, p.GetName())
		return err
	})
	return resp, err
}
