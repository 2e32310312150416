package operations_test

import (
	"bytes"
	"context"
	"encoding/base64"
	"log/slog"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"cloud.google.com/go/longrunning/autogen/longrunningpb"
	"google.golang.org/grpc"

	"coldsection.example/gateway/internal/operations"
	operationsv1 "coldsection.example/proto/coldsection/operations/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	platform "coldsection.example/services/platform/operations"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/rpc/rpctest"
)

var (
	morning = clock.NewFake(time.Date(2026, time.September, 7, 6, 0, 0, 0, time.UTC))
	secret  = bytes.Repeat([]byte("k"), 32)
)

// part is a service that works as many operations, in pages of two.
type part struct {
	operationsv1.UnimplementedOperationsServiceServer

	name string
	all  int
	sick error
}

func (p part) GetOperation(_ context.Context, req *operationsv1.GetOperationRequest) (*longrunningpb.Operation, error) {
	return &longrunningpb.Operation{Name: req.GetName(), Done: true}, p.sick
}

func (p part) CancelOperation(_ context.Context, req *operationsv1.CancelOperationRequest) (*longrunningpb.Operation, error) {
	return &longrunningpb.Operation{Name: req.GetName() + " cancelled"}, p.sick
}

func (p part) WaitOperation(_ context.Context, req *operationsv1.WaitOperationRequest) (*longrunningpb.Operation, error) {
	return &longrunningpb.Operation{Name: req.GetName() + " awaited"}, p.sick
}

func (p part) ListOperations(_ context.Context, req *operationsv1.ListOperationsRequest) (*operationsv1.ListOperationsResponse, error) {
	from, _ := strconv.Atoi(req.GetPageToken())
	resp := &operationsv1.ListOperationsResponse{}
	for i := from; i < min(from+2, p.all); i++ {
		resp.Operations = append(resp.Operations, &longrunningpb.Operation{Name: "operations/" + p.name + "-" + strconv.Itoa(i)})
	}
	if from+2 < p.all {
		resp.NextPageToken = strconv.Itoa(from + 2)
	}
	return resp, p.sick
}

// door serves parts as one collection; a part of the name "" has no operations at all.
func door(t *testing.T, parts ...part) operationsv1.OperationsServiceClient {
	t.Helper()
	return doorAt(t, morning, parts...)
}

// doorAt is a door that knows the age of page tokens by a clock of its own.
func doorAt(t *testing.T, at clock.Clock, parts ...part) operationsv1.OperationsServiceClient {
	t.Helper()
	keys, err := auth.NewKeys(secret)
	if err != nil {
		t.Fatal(err)
	}
	dial := func(register func(srv *rpc.Server)) grpc.ClientConnInterface {
		srv, err := rpc.NewServer(rpc.Deps{Clock: morning, IDs: ids.System(), Keys: keys, Log: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		register(srv)
		return rpctest.Dial(t, srv, rpc.Caller{Keys: keys, Clock: morning})
	}
	backends := map[string]grpc.ClientConnInterface{}
	for _, p := range parts {
		backends["coldsection."+p.name+".v1"] = dial(func(srv *rpc.Server) {
			srv.Register(&operationsv1.OperationsService_ServiceDesc, p, platform.Policy())
		})
	}
	backends["coldsection.idle.v1"] = dial(func(srv *rpc.Server) {
		srv.Register(&operationsv1.OperationsService_ServiceDesc, operationsv1.UnimplementedOperationsServiceServer{}, platform.Policy())
	})
	return operationsv1.NewOperationsServiceClient(dial(func(srv *rpc.Server) {
		operations.Register(srv, operations.Deps{Backends: backends, Keys: keys, Clock: at})
	}))
}

func caller(t *testing.T) context.Context {
	t.Helper()
	return auth.NewContext(t.Context(), auth.Identity{Account: "accounts/anna", Roles: []string{"analyst"}, Kind: auth.Human})
}

// Page by page a list goes through all parts, each operation once, over parts with none and one that works no operations.
func TestAListGoesThroughAllParts(t *testing.T) {
	for name, counts := range map[string][3]int{"some": {5, 2, 1}, "none between": {3, 0, 4}, "the first is empty": {0, 2, 0}, "nothing": {0, 0, 0}} {
		t.Run(name, func(t *testing.T) {
			want := []string{}
			var parts []part
			for i, p := range []string{"compliance", "performance", "workorders"} {
				parts = append(parts, part{name: p, all: counts[i]})
				for n := range counts[i] {
					want = append(want, "operations/"+p+"-"+strconv.Itoa(n))
				}
			}
			client, got, token := door(t, parts...), []string{}, ""
			for pages := 0; pages == 0 || token != ""; pages++ {
				page, err := client.ListOperations(caller(t), &operationsv1.ListOperationsRequest{PageToken: token})
				if err != nil || pages > len(want) {
					t.Fatalf("page %d of %v: %v", pages, got, err)
				}
				for _, op := range page.GetOperations() {
					got = append(got, op.GetName())
				}
				token = page.GetNextPageToken()
			}
			if !slices.Equal(got, want) {
				t.Errorf("got %v, want %v", got, want)
			}
		})
	}
}

func TestAListOfASickPartOrABadTokenIsRefused(t *testing.T) {
	well, sick := part{name: "compliance", all: 1}, part{name: "performance", sick: fault.New(fault.Unavailable, "STORE_UNAVAILABLE", "Away.")}
	client := door(t, well, sick)
	page, err := client.ListOperations(caller(t), &operationsv1.ListOperationsRequest{})
	if err != nil || len(page.GetOperations()) != 1 {
		t.Fatalf("got %v, %v", page, err)
	}
	if _, err := client.ListOperations(caller(t), &operationsv1.ListOperationsRequest{PageToken: page.GetNextPageToken()}); err == nil {
		t.Error("the list ends before a part that is away, as if it had none")
	}
	if _, err := client.ListOperations(caller(t), &operationsv1.ListOperationsRequest{PageToken: "elsewhere.2"}); !fault.HasReason(rpc.FromStatus(err), "PAGE_TOKEN_INVALID") {
		t.Errorf("got %v", err)
	}
}

// A page token is the caller's for one list, filter and order, says nothing of what is behind it, and nobody makes one: neither of its words nor of another's.
func TestAPageTokenIsOfOneRequestOfOneCaller(t *testing.T) {
	client := door(t, part{name: "compliance", all: 3}, part{name: "performance", all: 1})
	asked := operationsv1.ListOperationsRequest{Filter: "done = true", OrderBy: "create_time desc"}
	first, err := client.ListOperations(caller(t), &asked)
	if err != nil || first.GetNextPageToken() == "" {
		t.Fatalf("%v, %v", first, err)
	}
	token := first.GetNextPageToken()
	raw, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil || bytes.Contains(raw, []byte("compliance")) || strings.Contains(token, "compliance") {
		t.Errorf("%q can be read: %q, %v", token, raw, err)
	}
	another := auth.NewContext(t.Context(), auth.Identity{Account: "accounts/otto", Roles: []string{"analyst"}, Kind: auth.Human})
	changed := bytes.Clone(raw)
	changed[len(changed)-1] ^= 1
	for what, c := range map[string]struct {
		ctx                  context.Context
		filter, order, token string
	}{
		"another filter":         {caller(t), "done = false", asked.GetOrderBy(), token},
		"no filter":              {caller(t), "", asked.GetOrderBy(), token},
		"another order":          {caller(t), asked.GetFilter(), "", token},
		"what joins to the same": {caller(t), asked.GetFilter() + " " + asked.GetOrderBy(), "", token},
		"another caller":         {another, asked.GetFilter(), asked.GetOrderBy(), token},
		"made up":                {caller(t), asked.GetFilter(), asked.GetOrderBy(), "performance."},
		"one bit turned":         {caller(t), asked.GetFilter(), asked.GetOrderBy(), base64.RawURLEncoding.EncodeToString(changed)},
		"cut short":              {caller(t), asked.GetFilter(), asked.GetOrderBy(), token[:8]},
	} {
		page, err := client.ListOperations(c.ctx, &operationsv1.ListOperationsRequest{Filter: c.filter, OrderBy: c.order, PageToken: c.token})
		if !fault.HasReason(rpc.FromStatus(err), "PAGE_TOKEN_INVALID") {
			t.Errorf("%s: %v, %v", what, page, err)
		}
	}
	second, err := client.ListOperations(caller(t), &operationsv1.ListOperationsRequest{
		Filter: asked.GetFilter(), OrderBy: asked.GetOrderBy(), PageToken: token, PageSize: 7,
	})
	if err != nil || len(second.GetOperations()) != 1 || second.GetOperations()[0].GetName() != "operations/compliance-2" {
		t.Errorf("its own next page, of another size: %v, %v", second, err)
	}
}

// Case A14: a page token is good for seven days, and each page's token anew, whether the next page is of the same part or of another; that a clock is
// set back ends none.
func TestAPageTokenGrowsOld(t *testing.T) {
	const life = 7 * 24 * time.Hour
	began := morning.Now()
	at := clock.NewFake(began)
	client := doorAt(t, at, part{name: "compliance", all: 3}, part{name: "performance", all: 1})
	page := func(token string) (string, string, error) {
		p, err := client.ListOperations(caller(t), &operationsv1.ListOperationsRequest{PageToken: token})
		var names []string
		for _, op := range p.GetOperations() {
			names = append(names, strings.TrimPrefix(op.GetName(), "operations/"))
		}
		return strings.Join(names, " "), p.GetNextPageToken(), err
	}
	_, first, err := page("")
	if err != nil || first == "" {
		t.Fatalf("%q, %v", first, err)
	}
	second := ""
	for _, c := range []struct {
		after time.Duration
		good  bool
	}{{-time.Hour, true}, {0, true}, {life, true}, {life + time.Second, false}, {30 * 24 * time.Hour, false}} {
		at.Set(began.Add(c.after))
		names, next, err := page(first)
		f, _ := fault.As(rpc.FromStatus(err))
		switch {
		case c.good && (err != nil || names != "compliance-2"):
			t.Errorf("after %v: %q, %v", c.after, names, err)
		case c.good:
			second = next
		case f == nil || f.Reason != "PAGE_TOKEN_INVALID" || len(f.Violations) != 1 || f.Violations[0].Field != "page_token" ||
			f.Message != "This page token was made on 2026-09-07, and page tokens are good for 7 days. Repeat the first request without a token.":
			t.Errorf("after %v: %q, %v", c.after, names, err)
		}
	}
	at.Set(began.Add(2 * life)) // the second page was asked for when the first token was seven days old
	if names, next, err := page(second); err != nil || names != "performance-0" || next != "" {
		t.Errorf("the next page's token: %q, %q, %v", names, next, err)
	}
	at.Set(began.Add(2*life + time.Second))
	if names, _, err := page(second); !fault.HasReason(rpc.FromStatus(err), "PAGE_TOKEN_INVALID") {
		t.Errorf("the next page's token, a second later: %q, %v", names, err)
	}
}

// An operation is asked of the part in its name; parts that are not there or work none answer that it is missing.
func TestAnOperationIsAskedOfItsPart(t *testing.T) {
	client := door(t, part{name: "performance", all: 1})
	const name = "operations/performance-0"
	got, err := client.GetOperation(caller(t), &operationsv1.GetOperationRequest{Name: name})
	if err != nil || got.GetName() != name {
		t.Errorf("got %v, %v", got, err)
	}
	if got, err := client.CancelOperation(caller(t), &operationsv1.CancelOperationRequest{Name: name}); err != nil || !strings.HasSuffix(got.GetName(), "cancelled") {
		t.Errorf("got %v, %v", got, err)
	}
	if got, err := client.WaitOperation(caller(t), &operationsv1.WaitOperationRequest{Name: name}); err != nil || !strings.HasSuffix(got.GetName(), "awaited") {
		t.Errorf("got %v, %v", got, err)
	}
	for _, missing := range []string{"operations/idle-1", "operations/nobody-1"} {
		if _, err := client.GetOperation(caller(t), &operationsv1.GetOperationRequest{Name: missing}); !fault.HasReason(rpc.FromStatus(err), "NOT_FOUND") {
			t.Errorf("%s: got %v", missing, err)
		}
	}
}

// A key that is narrowed to areas sees the operations of these only: whoever may begin one may ask for it, and another area's is as if it were not there.
func TestAKeyHasTheOperationsOfItsAreas(t *testing.T) {
	client := door(t, part{name: "compliance", all: 3}, part{name: "performance", all: 3}, part{name: "workorders", all: 3})
	for scopes, want := range map[string]string{
		"": "compliance performance workorders", "area:performance": "performance", "area:compliance area:workorders read": "compliance workorders",
		"area:access": "", "role:analyst": "compliance performance workorders",
	} {
		ctx := auth.NewContext(t.Context(), auth.Identity{
			Account: "accounts/erp", Roles: []string{"analyst"}, Kind: auth.Machine, Scopes: strings.Fields(scopes),
		})
		var listed []string
		for token, page := "", 0; page == 0 || token != ""; page++ {
			got, err := client.ListOperations(ctx, &operationsv1.ListOperationsRequest{PageToken: token})
			if err != nil {
				t.Fatal(err)
			}
			for _, op := range got.GetOperations() {
				name, _, _ := strings.Cut(strings.TrimPrefix(op.GetName(), "operations/"), "-")
				listed = append(listed, name)
			}
			token = got.GetNextPageToken()
		}
		if got := strings.Join(slices.Compact(listed), " "); got != want || len(listed) != 3*len(strings.Fields(want)) {
			t.Errorf("%q lists %v, want %s", scopes, listed, want)
		}
		for _, name := range []string{"compliance", "performance", "workorders"} {
			_, err := client.GetOperation(ctx, &operationsv1.GetOperationRequest{Name: "operations/" + name + "-1"})
			_, cancelled := client.CancelOperation(ctx, &operationsv1.CancelOperationRequest{Name: "operations/" + name + "-1"})
			if seen := strings.Contains(want, name); (err == nil) != seen || (cancelled == nil) != seen || !seen && !fault.HasReason(err, "NOT_FOUND") {
				t.Errorf("%q asks for one of %s: %v; ends it: %v", scopes, name, err, cancelled)
			}
		}
	}
}
