package app

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"slices"
	"strings"

	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/storage"
	"coldsection.example/services/workorders/internal/store"
)

// attachable are the kinds of file that are kept: none of them runs anything when it is shown.
var attachable = []string{"image/jpeg", "image/png", "image/webp", "application/pdf"}

// CreateAttachment keeps the bytes of a photograph or a document by their hash. The same bytes again are the same attachment.
func (a *App) CreateAttachment(ctx context.Context, req *workordersv1.CreateAttachmentRequest) (*workordersv1.Attachment, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*workordersv1.Attachment, error) {
		u := a.unit(ctx, tx)
		me, err := u.me()
		if err != nil {
			return nil, err
		}
		o, err := store.Orders.Lock(ctx, tx, req.GetParent())
		if err != nil {
			return nil, err
		}
		if err := live(o); err != nil {
			return nil, err
		}
		given := req.GetAttachment()
		sum, err := checkAttachment(given)
		if err != nil {
			return nil, err
		}
		kept := &workordersv1.Attachment{
			Name: attachmentName(o.GetName(), sum), MediaType: given.GetMediaType(), Sha256: sum, ByteCount: int64(len(given.GetContent())), Person: me,
		}
		return u.keepAttachment(ctx, o, kept, given.GetContent())
	})
}

// keepAttachment writes an attachment unless it is there.
func (u unit) keepAttachment(ctx context.Context, o *workordersv1.WorkOrder, kept *workordersv1.Attachment, content []byte) (*workordersv1.Attachment, error) {
	old, err := store.Attached.Get(ctx, u.Tx, kept.GetName())
	if err == nil || !fault.HasReason(err, "NOT_FOUND") {
		return old, err
	}
	if err := store.KeepBytes(ctx, u.Tx, kept.GetSha256(), content); err != nil {
		return nil, err
	}
	if err := store.Attached.Insert(ctx, u.Tx, kept, u.now); err != nil {
		return nil, err
	}
	return kept, u.publish(ctx, "attachment.added", o.GetName(), &workordersv1.AttachmentAdded{WorkOrder: o.GetName(), Attachment: kept})
}

func attachmentName(order, sum string) string { return order + "/attachments/" + sum }

// checkAttachment returns the hash of the bytes and refuses those that are not of the type they are said to be, or not the ones that
// were sent off. Reasons: ATTACHMENT_TYPE, ATTACHMENT_HASH.
func checkAttachment(a *workordersv1.Attachment) (string, error) {
	if found := http.DetectContentType(a.GetContent()); !slices.Contains(attachable, a.GetMediaType()) || found != a.GetMediaType() {
		return "", fault.Invalid("attachment.media_type", "ATTACHMENT_TYPE", "The bytes are %s and are said to be %q; kept are %s. Send one of those under its own type.",
			found, a.GetMediaType(), strings.Join(attachable, ", "))
	}
	sum := sha256.Sum256(a.GetContent())
	hash := hex.EncodeToString(sum[:])
	if given := strings.ToLower(a.GetSha256()); given != "" && given != hash {
		return "", fault.Invalid("attachment.sha256", "ATTACHMENT_HASH", "The bytes that arrived have the hash %s, not %s. Send them again.", hash, given)
	}
	return hash, nil
}

// Attachment reads an attachment with its bytes.
func (a *App) Attachment(ctx context.Context, name string) (out *workordersv1.Attachment, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		if out, err = store.Attached.Get(ctx, tx, name); err != nil {
			return err
		}
		if out.Content, err = store.Bytes(ctx, tx, out.GetSha256()); err != nil {
			return err
		}
		return a.unit(ctx, tx).retained(ctx, out)
	})
	return out, err
}

// extensions are the names of the files that are kept.
var extensions = map[string]string{"image/jpeg": ".jpg", "image/png": ".png", "image/webp": ".webp", "application/pdf": ".pdf"}

// DownloadAttachment gives an attachment as a file, after comparing its bytes with their hash: what the disk changed is evidence of
// nothing. Reason: ATTACHMENT_HASH.
func (a *App) DownloadAttachment(ctx context.Context, name string) (*workordersv1.DownloadAttachmentResponse, error) {
	kept, err := a.Attachment(ctx, name)
	if err != nil {
		return nil, err
	}
	if sum := sha256.Sum256(kept.GetContent()); hex.EncodeToString(sum[:]) != kept.GetSha256() {
		return nil, fault.Precondition("ATTACHMENT_HASH", "The bytes of %s are not those that arrived: their hash is %x. Restore them from a backup.", name, sum)
	}
	o, err := store.Orders.Read(ctx, a.DB, orderOf(name))
	if err != nil {
		return nil, err
	}
	return &workordersv1.DownloadAttachmentResponse{
		MediaType: kept.GetMediaType(), FileName: o.GetNumber() + "-" + kept.GetSha256()[:12] + extensions[kept.GetMediaType()], Content: kept.GetContent(), Sha256: kept.GetSha256(),
		Uploader: kept.GetPerson(),
	}, nil
}
