package app

import (
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"hash"
	"io"
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

const (
	maxPackBytes  = 256 << 20 // what a pack may hold; neither its files nor its records are held while it is made
	maxWholeBytes = 18 << 20  // what one answer can carry
)

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
		parts := store.NewPackParts(ctx, tx, pack.GetName())
		if err := a.unit(ctx, tx).pack(ctx, pack, parts); err != nil {
			return err
		}
		if err := parts.Close(); err != nil {
			return err
		}
		step.Result = pack
		return store.RecordPacks.Insert(ctx, tx, pack, a.Clock.Now())
	}}, nil
}

// sealKey signs packs. It follows from the secret of the installation, so every process has the same.
func (a *App) sealKey() ed25519.PrivateKey {
	return ed25519.NewKeyFromSeed(a.Keys.Derive("record packs")[0])
}

// pack gathers records and seals them into out, and says in p what came of it. Reason: PACK_TOO_LARGE.
func (u unit) pack(ctx context.Context, p *compliancev1.RecordPack, out io.Writer) (err error) {
	g, err := u.gather(ctx, p)
	defer func() { err = errors.Join(err, g.close()) }()
	if err != nil {
		return err
	}
	files, err := g.files()
	if err != nil {
		return err
	}
	p.ContentSha256 = recordpack.ContentHash(files)
	p.Number = "RP-" + strings.ToUpper(p.GetContentSha256()[:12])
	index, err := g.index(p, files)
	if err != nil {
		return err
	}
	files = append(files, recordpack.File{Path: "index.pdf", MediaType: "application/pdf", Content: index})
	key, sum := u.app.sealKey(), &summed{out: out, hash: sha256.New()}
	if err := mayHold(p.GetSubject(), files); err != nil {
		return err
	}
	if err := recordpack.Write(sum, recordpack.About{
		Number: p.GetNumber(), Subject: p.GetSubject(), Label: g.label, AsOf: stamp(p.GetAsOfTime()), KnownAt: stamp(p.GetKnownAtTime()),
	}, files, key); err != nil {
		return err
	}
	p.Sha256, p.ByteCount, p.FileCount, p.PublicKey = hex.EncodeToString(sum.hash.Sum(nil)), sum.bytes, int32(len(files)), recordpack.PublicKey(key)
	return nil
}

// mayHold refuses more than a pack may hold. Reason: PACK_TOO_LARGE.
func mayHold(subject string, files []recordpack.File) error {
	all := 0
	for _, f := range files {
		all += f.Bytes()
	}
	if all > maxPackBytes {
		return fault.Precondition("PACK_TOO_LARGE", "The records of %s take %d bytes; a pack holds at most %d. Make packs of what is fitted to it.", subject, all, maxPackBytes)
	}
	return nil
}

// summed counts and hashes what is written to another writer.
type summed struct {
	out   io.Writer
	hash  hash.Hash
	bytes int64
}

// Write writes on.
func (s *summed) Write(content []byte) (int, error) {
	n, err := s.out.Write(content)
	_, _ = s.hash.Write(content[:n]) // a hash takes everything
	s.bytes += int64(n)
	return n, err
}

// DownloadRecordPack gives a pack out, or a part of it. Reasons: PACK_TOO_LARGE, OFFSET_BEYOND_END.
func (a *App) DownloadRecordPack(ctx context.Context, req *compliancev1.DownloadRecordPackRequest) (resp *compliancev1.DownloadRecordPackResponse, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		p, err := packFor(ctx, tx, req.GetName())
		if err != nil {
			return err
		}
		limit := int64(req.GetMaxBytes())
		switch {
		case req.GetOffset() >= p.GetByteCount():
			return fault.Invalid("offset", "OFFSET_BEYOND_END", "%s has %d bytes, so that none begins at %d. The last part has no next_offset.", p.GetName(), p.GetByteCount(), req.GetOffset())
		case limit == 0 && p.GetByteCount() > maxWholeBytes:
			return fault.Precondition("PACK_TOO_LARGE", "%s has %d bytes; one answer carries at most %d. Ask for it in parts: set max_bytes, and offset to the next_offset of the part before.",
				p.GetName(), p.GetByteCount(), maxWholeBytes)
		case limit == 0:
			limit = maxWholeBytes
		}
		resp = &compliancev1.DownloadRecordPackResponse{MediaType: "application/zip", FileName: p.GetNumber() + ".zip", TotalBytes: p.GetByteCount()}
		resp.Content, err = store.PackBytes(ctx, tx, p.GetName(), req.GetOffset(), limit)
		if next := req.GetOffset() + int64(len(resp.GetContent())); next < p.GetByteCount() {
			resp.NextOffset = next
		}
		return err
	})
	return resp, err
}
