package suite

import (
	"context"
	"fmt"
	"io"
	"os"
	"strconv"
	"time"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"
	"google.golang.org/genproto/googleapis/rpc/code"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/suite/verbs"
)

// packMakeCommand has a running suite make a pack and keeps it.
type packMakeCommand struct {
	remote
	telling

	Subject string    `arg:"" help:"Whose records, such as aircraft/a or engines/b."`
	AsOf    time.Time `name:"as-of" help:"When it was so, such as 2026-06-30T00:00:00Z; by default now."`
	KnownAt time.Time `name:"known-at" help:"As it was known then; by default now."`
	Out     string    `short:"f" name:"out" placeholder:"FILE" help:"Where to write the pack; by default its own name, in this folder. A file that is there stays."`
	Request string    `name:"request-id" help:"A UUID; repeating it makes no second pack."`
}

// run begins a pack, waits for it and writes it. A file that is there is not written over.
func (c *packMakeCommand) run(ctx context.Context, out io.Writer) error {
	return c.asked(func(client verbs.Client) error {
		packs := compliancev1.NewRecordPackServiceClient(client.Conn)
		op, err := packs.CreateRecordPack(ctx, &compliancev1.CreateRecordPackRequest{RequestId: c.Request, RecordPack: &compliancev1.RecordPack{
			Subject: c.Subject, AsOfTime: instant(c.AsOf), KnownAtTime: instant(c.KnownAt),
		}})
		if err != nil {
			return rpc.FromStatus(err)
		}
		pack := &compliancev1.RecordPack{}
		if err := c.made(ctx, operationsv1.NewOperationsServiceClient(client.Conn), op, pack); err != nil {
			return err
		}
		path := c.Out
		if path == "" {
			path = pack.GetNumber() + ".zip"
		}
		if err := writeNew(path, func(to io.Writer) error { return download(ctx, packs, pack.GetName(), to) }); err != nil {
			return fmt.Errorf("%s was made and is kept as %s, but not written: %w", pack.GetNumber(), pack.GetName(), err)
		}
		return c.tell(out, []string{
			fmt.Sprintf("%s: %s of %s, %d files, SHA-256 %s.", path, pack.GetNumber(), pack.GetSubject(), pack.GetFileCount(), pack.GetSha256()),
			fmt.Sprintf("Check it with: coldsection pack verify %s --key %s", path, pack.GetPublicKey()),
		}, []string{"file", "number", "name", "subject", "files", "sha256", "public_key"}, []string{
			path, pack.GetNumber(), pack.GetName(), pack.GetSubject(), strconv.Itoa(int(pack.GetFileCount())), pack.GetSha256(), pack.GetPublicKey(),
		})
	})
}

// made waits for an operation and reads what came of it.
func (*packMakeCommand) made(ctx context.Context, operations operationsv1.OperationsServiceClient, op *longrunningpb.Operation, pack *compliancev1.RecordPack) error {
	for !op.GetDone() {
		var err error
		if op, err = operations.WaitOperation(ctx, &operationsv1.WaitOperationRequest{Name: op.GetName()}); err != nil {
			return rpc.FromStatus(err)
		}
	}
	if failed := op.GetError(); failed.GetCode() != int32(code.Code_OK) {
		return rpc.FromStatus(status.FromProto(failed).Err())
	}
	return op.GetResponse().UnmarshalTo(pack)
}

// download writes a pack part by part, so that none is held whole.
func download(ctx context.Context, packs compliancev1.RecordPackServiceClient, name string, to io.Writer) error {
	for offset, more := int64(0), true; more; more = offset > 0 {
		part, err := packs.DownloadRecordPack(ctx, &compliancev1.DownloadRecordPackRequest{Name: name, Offset: offset, MaxBytes: 1 << 20})
		if err != nil {
			return rpc.FromStatus(err)
		}
		if _, err := to.Write(part.GetContent()); err != nil {
			return err
		}
		offset = part.GetNextOffset()
	}
	return nil
}

// writeNew writes a file that is not there yet; a file that can't be written whole is removed.
func writeNew(path string, content func(to io.Writer) error) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	err = content(f)
	if end := f.Close(); err == nil {
		err = end
	}
	if err != nil {
		_ = os.Remove(path)
	}
	return err
}

// instant is a time of a flag; unset where it was not given.
func instant(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}
