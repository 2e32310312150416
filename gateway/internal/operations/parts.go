package operations

import (
	"context"
	"encoding/base64"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc"

	"coldsection.example/gateway/internal/accounts"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/rpc"
)

// parts are the services that have rows of one collection.
type parts[C any] struct {
	collection string       // such as "operations/"
	by         map[string]C // clients of the services by their name
	keys       *auth.Keys   // seal page tokens
	clock      clock.Clock  // says how old they are
}

// partsOf are clients of all services.
func partsOf[C any](
	collection string, d Deps, client func(grpc.ClientConnInterface) C,
) parts[C] {
	p := parts[C]{collection: collection, by: map[string]C{}, keys: d.Keys, clock: d.Clock}
	for pkg, conn := range d.Backends {
		if names := strings.Split(pkg, "."); len(names) > 1 {
			p.by[names[1]] = client(conn)
		}
	}
	return p
}

// ask calls the service that has the row which a request names, on the caller's behalf; a row of an area that the caller's key does not reach is as
// if it were not there. Reason: NOT_FOUND.
func ask[C any, Q interface{ GetName() string }, A any](
	ctx context.Context, p parts[C], req Q, call func(C, context.Context, Q, ...grpc.CallOption) (*A, error),
) (*A, error) {
	part, _, _ := strings.Cut(strings.TrimPrefix(req.GetName(), p.collection), "-")
	client, ok := p.by[part]
	if !ok || !accounts.InScope(ctx, part) {
		return nil, fault.Missing(req.GetName())
	}
	return call(client, ctx, req)
}

func worksNone(err error) bool {
	f, ok := fault.As(rpc.FromStatus(err))
	return ok && f.Category == fault.Unimplemented
}

// walk asks one service that the caller's key reaches after the other for a page until one has rows; the token says when it was made, the service that the next page is
// of, and its own token. Reason: PAGE_TOKEN_INVALID.
func (p parts[C]) walk(ctx context.Context, req listing.Request, ask func(part, token string) (next string, rows int, err error)) (string, error) {
	parts := slices.DeleteFunc(slices.Sorted(maps.Keys(p.by)), func(part string) bool { return !accounts.InScope(ctx, part) })
	at, inner, bound := 0, "", boundTo(ctx, req)
	if token := req.GetPageToken(); token != "" {
		part, ofPart, made := p.opened(bound, token)
		if at, inner = slices.Index(parts, part), ofPart; at < 0 {
			return "", fault.Invalid("page_token", "PAGE_TOKEN_INVALID",
				"This page token does not belong to this request. Repeat the first request without a token, and change nothing between pages.")
		}
		if err := listing.Fresh(p.clock.Now(), made); err != nil {
			return "", err
		}
	}
	for ; at < len(parts); at, inner = at+1, "" {
		next, rows, err := ask(parts[at], inner)
		switch {
		case err != nil && !worksNone(err):
			return "", err
		case next != "":
			return p.sealed(bound, parts[at], next)
		case rows > 0 && at+1 < len(parts):
			return p.sealed(bound, parts[at+1], "")
		case rows > 0:
			return "", nil
		}
	}
	return "", nil
}

// boundTo is what a token is good for: the list, the caller, the filter and the order, each quoted so that none runs into the next.
func boundTo(ctx context.Context, req listing.Request) string {
	caller, _ := auth.FromContext(ctx)
	return fmt.Sprintf("page token of %s %q %q %q", req.ProtoReflect().Descriptor().FullName(), caller.Account, req.GetFilter(), req.GetOrderBy())
}

// sealed is a token that only this installation makes and reads.
func (p parts[C]) sealed(bound, part, inner string) (string, error) {
	token, err := p.keys.Seal(bound, []byte(strconv.FormatInt(p.clock.Now().Unix(), 10)+"."+part+"."+inner))
	return base64.RawURLEncoding.EncodeToString(token), err
}

// opened is what sealed made a token of; no part when it is none, or was made for another request.
func (p parts[C]) opened(bound, token string) (part, inner string, made time.Time) {
	raw, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil {
		return "", "", made
	}
	plain, err := p.keys.Unseal(bound, raw)
	if err != nil {
		return "", "", made
	}
	at, rest, _ := strings.Cut(string(plain), ".")
	seconds, err := strconv.ParseInt(at, 10, 64)
	if err != nil {
		return "", "", made
	}
	part, inner, _ = strings.Cut(rest, ".")
	return part, inner, time.Unix(seconds, 0)
}
