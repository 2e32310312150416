package rpctest

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// DoubtsVariable is the environment variable that says how many calls of each method are doubted in one test binary.
const DoubtsVariable = "COLDSECTION_TEST_DOUBTS"

// usualDoubts is enough to meet every method that a suite calls, and few enough to cost nothing.
const usualDoubts = 2

// largest is the size in bytes of the largest request that is doubted: long imports would take the time of the test's own calls.
const largest = 1 << 14

// secret are the methods whose answer to a repetition is a new secret, because what was told is kept as a hash only.
var secret = []string{"/CreateApiKey", "/InviteAccount", "/CreateCalendarFeed"}

// doubted counts the doubted calls of each method in this binary.
var doubted sync.Map

// Doubting is a connection that doubts the first changes of each method: what a test asks for is asked beforehand on a version that
// there never was and, where that is possible, only to be validated; afterwards it is sent again with its key. A stale version must
// be refused, asking must say what doing says, and a repetition must answer what the first answered. Calls that run beside
// others are left alone, because others may change what they say.
type Doubting struct {
	grpc.ClientConnInterface

	T testing.TB
	// Only are the methods that are doubted, by how their names begin; all when it is empty.
	Only string

	begun atomic.Int64
	under atomic.Int64
}

// Invoke makes one call, with doubts.
func (d *Doubting) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	alone := d.under.Add(1) == 1
	defer d.under.Add(-1)
	turn := d.begun.Add(1)
	req, isMessage := args.(proto.Message)
	if !isMessage || !alone || !d.doubts(ctx, method, req) {
		return d.ClientConnInterface.Invoke(ctx, method, args, reply, opts...)
	}
	return d.doubt(ctx, doubt{method: method, req: req, turn: turn}, reply, opts)
}

// doubts says whether a call is doubted: one of the first of its method that may change something and has no key yet.
func (d *Doubting) doubts(ctx context.Context, method string, req proto.Message) bool {
	md, _ := metadata.FromOutgoingContext(ctx)
	fields := req.ProtoReflect().Descriptor().Fields()
	key, dry := fields.ByName("request_id"), fields.ByName("validate_only")
	switch {
	case !strings.HasPrefix(method, d.Only), slices.ContainsFunc(secret, func(name string) bool { return strings.HasSuffix(method, name) }):
		return false
	case proto.Size(req) > largest, key == nil, req.ProtoReflect().Has(key), len(md.Get("idempotency-key")) > 0, dry != nil && req.ProtoReflect().Has(dry):
		return false
	}
	limit, err := strconv.ParseInt(os.Getenv(DoubtsVariable), 10, 64)
	if err != nil {
		limit = usualDoubts
	}
	count, _ := doubted.LoadOrStore(method, new(atomic.Int64))
	n, _ := count.(*atomic.Int64)
	return n.Add(1) <= limit
}

// doubt is one call that is doubted.
type doubt struct {
	method string
	req    proto.Message
	turn   int64
}

func (d *Doubting) doubt(ctx context.Context, c doubt, reply any, opts []grpc.CallOption) error {
	d.T.Helper()
	stale, hasVersion := c.stale()
	var staleErr, dryErr error
	if hasVersion {
		staleErr = d.aside(ctx, c.method, stale, reply, opts)
	}
	dry, hasDry := c.dry()
	if hasDry {
		dryErr = d.aside(ctx, c.method, dry, reply, opts)
	}
	keyed := proto.Clone(c.req)
	set(keyed.ProtoReflect(), "request_id", protoreflect.ValueOfString(fmt.Sprintf("doubt-%s-%d", d.T.Name(), c.turn)))
	err := d.ClientConnInterface.Invoke(ctx, c.method, keyed, reply, opts...)
	var again proto.Message
	var againErr error
	first, isMessage := reply.(proto.Message)
	if err == nil && isMessage {
		again = first.ProtoReflect().New().Interface()
		againErr = d.ClientConnInterface.Invoke(ctx, c.method, keyed, again, opts...)
	}
	if d.begun.Load() != c.turn || late(staleErr) || late(dryErr) || late(againErr) {
		return err // somebody else called meanwhile, or the machine was too busy
	}
	if hasVersion && (staleErr == nil || err == nil && reason(staleErr) != "ETAG_MISMATCH") {
		d.T.Errorf("%s on a version that there never was: %v, want ETAG_MISMATCH: %v", c.method, staleErr, c.req)
	}
	if hasDry && reason(dryErr) != reason(err) {
		d.T.Errorf("%s would be answered %v, is answered %v: %v", c.method, dryErr, err, c.req)
	}
	if err == nil && (againErr != nil || !proto.Equal(again, first)) {
		d.T.Errorf("%s again with its key: %v, %v; first %v", c.method, again, againErr, first)
	}
	return err
}

// late says whether a call was not done in its time, which tells nothing.
func late(err error) bool {
	f, ok := fault.As(rpc.FromStatus(err))
	return ok && f.Category == fault.DeadlineExceeded
}

// aside makes a call whose answer nobody wants.
func (d *Doubting) aside(ctx context.Context, method string, req proto.Message, reply any, opts []grpc.CallOption) error {
	answer, _ := reply.(proto.Message)
	return d.ClientConnInterface.Invoke(ctx, method, req, answer.ProtoReflect().New().Interface(), opts...)
}

// stale is the request on a version that there never was; false for one that names no version.
func (c doubt) stale() (proto.Message, bool) {
	req := proto.Clone(c.req)
	m := req.ProtoReflect()
	if m.Descriptor().Fields().ByName("etag") != nil {
		return req, set(m, "etag", protoreflect.ValueOfString("v0"))
	}
	if m.Descriptor().Fields().ByName("update_mask") == nil {
		return nil, false
	}
	for i := range m.Descriptor().Fields().Len() {
		f := m.Descriptor().Fields().Get(i)
		if f.Message() != nil && !f.IsList() && !f.IsMap() && f.Message().Fields().ByName("etag") != nil && m.Has(f) {
			return req, set(m.Mutable(f).Message(), "etag", protoreflect.ValueOfString("v0"))
		}
	}
	return nil, false
}

// dry is the request to be validated only; false for one that can't be.
func (c doubt) dry() (proto.Message, bool) {
	req := proto.Clone(c.req)
	return req, set(req.ProtoReflect(), "validate_only", protoreflect.ValueOfBool(true))
}

// set sets a field; false when there is none of that name.
func set(m protoreflect.Message, name protoreflect.Name, v protoreflect.Value) bool {
	f := m.Descriptor().Fields().ByName(name)
	if f != nil {
		m.Set(f, v)
	}
	return f != nil
}

// reason is the reason of a refusal, "" for none.
func reason(err error) string {
	if err == nil {
		return ""
	}
	f, ok := fault.As(rpc.FromStatus(err))
	if !ok {
		return err.Error()
	}
	return f.Reason
}
