package app

import (
	"context"
	"fmt"
	"strings"
	"time"

	commonv1 "coldsection.example/proto/coldsection/common/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/recordchain"
	"coldsection.example/services/platform/storage"
)

// signatures is the chain of signatures.
const signatures = "signatures"

// always is later than any entry of a chain, also of one whose clock was ahead once.
var always = time.Date(9999, time.December, 31, 0, 0, 0, 0, time.UTC)

// brokenSignature is a signature in force that does not hold any more, and why.
type brokenSignature struct {
	*commonv1.Signature

	why string
}

func (b brokenSignature) text() string {
	return fmt.Sprintf("The signature %s, %s by %s, does not hold: %s", b.GetName(), b.GetMeaning(), b.GetPersonName(), b.why)
}

// standFast refuses to inspect or to release on signatures that do not hold: somebody changed a record past the tool, and nobody knows what was done
// to the engine. Reason: SIGNATURE_BROKEN.
func (u unit) standFast(ctx context.Context, o *workordersv1.WorkOrder, meaning commonv1.Signature_Meaning) error {
	broken, err := u.brokenOf(ctx, o, meaning)
	if err != nil || len(broken) == 0 {
		return err
	}
	return fault.Precondition("SIGNATURE_BROKEN",
		"%s can't be signed as %s. %s. Do not release the engine. Ask quality to find out who changed the record, and to have it restored from a backup.",
		o.GetName(), meaning, broken[0].text()).With("signature", broken[0].GetName())
}

// brokenOf are the signatures in force that do not hold, of those on which a signature with a meaning rests; that the work was done rests on none.
func (u unit) brokenOf(ctx context.Context, o *workordersv1.WorkOrder, meaning commonv1.Signature_Meaning) (broken []brokenSignature, err error) {
	if meaning == commonv1.Signature_PERFORMED {
		return nil, nil
	}
	all, err := u.signaturesOf(ctx, o)
	if err != nil {
		return nil, err
	}
	entries, err := u.entriesOf(ctx, o.GetName())
	if err != nil {
		return nil, err
	}
	bad, err := u.brokenFrom(ctx, entries)
	if err != nil {
		return nil, err
	}
	for _, s := range all {
		why := entries.differs(s)
		if why == "" && bad != 0 && bad >= entries[s.GetName()].Position {
			why = fmt.Sprintf("the chain of signatures is broken at entry %d, so its entry %d may be another one than was made", bad, entries[s.GetName()].Position)
		}
		if why == "" {
			c, err := u.covered(ctx, s)
			if err != nil {
				return nil, err
			}
			if c.hash(s.GetStatement()) != s.GetContentHash() {
				why = "the order's records are not those that were signed"
			}
		}
		if why != "" {
			broken = append(broken, brokenSignature{s, why})
		}
	}
	return broken, nil
}

// afterSigning is now, or the first instant after the signatures in force where the clock that they were made by is ahead of this one: a signature covers
// what was found and decided until it was made, so what comes after it must not bear an earlier time.
func (u unit) afterSigning(ctx context.Context, o *workordersv1.WorkOrder) (time.Time, error) {
	at := u.now
	all, err := u.signaturesOf(ctx, o)
	for _, s := range all {
		if signed := s.GetSignTime().AsTime(); !at.After(signed) {
			at = signed.Add(time.Microsecond)
		}
	}
	return at, err
}

// entries are what the chain has of the signatures of one order, by their names.
type entries map[string]recordchain.Proof

// brokenFrom is where the chain is broken from the first entry of an order on; 0 where it holds. An entry that was rewritten with its hash shows by the
// entries after it.
func (u unit) brokenFrom(ctx context.Context, e entries) (int64, error) {
	first := int64(0)
	for _, p := range e {
		if first == 0 || p.Position < first {
			first = p.Position
		}
	}
	if first == 0 {
		return 0, nil // each of its signatures is without an entry, which is said of it
	}
	return recordchain.VerifyFrom(ctx, u.Tx, signatures, first)
}

// unended says that the chain has lost its end, or the records a signature: each signature was made with its entry. "" when all are there.
func (u unit) unended(ctx context.Context) (string, error) {
	last, _, err := recordchain.Last(ctx, u.Tx, signatures, always)
	if err != nil {
		return "", err
	}
	var made int64
	if err := u.Tx.QueryRow(ctx, "SELECT count(*) FROM signatures").Scan(&made); err != nil || made == last {
		return "", err
	}
	return fmt.Sprintf("%d signatures were made, and the chain of signatures ends at entry %d", made, last), nil
}

// entriesOf reads the entries of one order; what was entered before them is left to VerifySignature, as it grows with every order.
func (u unit) entriesOf(ctx context.Context, order string) (entries, error) {
	all, err := recordchain.Proofs(ctx, u.Tx, signatures, []string{order}, always)
	found := entries{}
	for _, p := range all {
		found[said(p)["signature"]] = p
	}
	return found, err
}

func said(p recordchain.Proof) map[string]string {
	values := map[string]string{}
	for _, s := range p.Said {
		values[s.Name] = s.Value
	}
	return values
}

// differs says what the chain has otherwise than a signature; "" for nothing. What an entry does not name is not compared.
func (e entries) differs(s *commonv1.Signature) string {
	entry, ok := e[s.GetName()]
	if !ok {
		return "the chain of signatures has no entry of it"
	}
	if err := entry.Check(); err != nil {
		return fmt.Sprintf("entry %d of the chain of signatures is broken: %v", entry.Position, err)
	}
	at := storage.FromMicros(storage.Micros(s.GetSignTime().AsTime())).Format(time.RFC3339Nano)
	head := []recordchain.Field{{Name: "kind", Value: strings.ToLower(s.GetMeaning().String())}, {Name: "time", Value: at}}
	was := said(entry)
	for _, f := range append(head, chained(s)...) {
		if value, named := was[f.Name]; named && value != f.Value {
			return fmt.Sprintf("its %s is %q, and entry %d of the chain of signatures has %q", f.Name, f.Value, entry.Position, value)
		}
	}
	return ""
}
