package gateway_test

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	"coldsection.example/gateway"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	commonv1 "coldsection.example/proto/coldsection/common/v1"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/eventbus"
	"coldsection.example/services/platform/eventbus/eventbustest"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/ids"
	"coldsection.example/services/platform/listing"
	"coldsection.example/services/platform/outbox"
	"coldsection.example/services/platform/rpc"
	"coldsection.example/services/platform/rpc/rpctest"
	"coldsection.example/services/platform/storage"
)

var start = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)

// shelf is a service behind the gateway: it says who asked and with which idempotency key.
type shelf struct {
	consumablesv1.UnimplementedConsumablesQueryServiceServer
	consumablesv1.UnimplementedConsumablesServiceServer

	made *atomic.Int64 // how often it was asked to make an item
}

func (shelf) GetItem(ctx context.Context, req *consumablesv1.GetItemRequest) (*consumablesv1.Item, error) {
	if req.GetName() == "items/none" {
		return nil, fault.Missing(req.GetName())
	}
	switch until, _ := ctx.Deadline(); req.GetName() {
	case "items/slow":
		<-ctx.Done()
		return nil, ctx.Err()
	case "items/timed":
		return &consumablesv1.Item{Name: req.GetName(), DisplayName: until.Sub(clock.System().Now()).String()}, nil
	}
	id, _ := auth.FromContext(ctx)
	return &consumablesv1.Item{Name: req.GetName(), DisplayName: id.Account, Etag: "v1", ReorderPoint: &commonv1.Quantity{Value: "20", UnitCode: "L"}}, nil
}

func (s shelf) CreateItem(ctx context.Context, req *consumablesv1.CreateItemRequest) (*consumablesv1.Item, error) {
	s.made.Add(1)
	md, _ := metadata.FromIncomingContext(ctx)
	if req.GetRequestId() == "known" {
		_ = grpc.SetHeader(ctx, metadata.Pairs("idempotency-replayed", "true", "x-inner", "not for callers"))
	}
	return &consumablesv1.Item{Name: "items/new", DisplayName: strings.Join(md.Get("idempotency-key"), ","), ReorderPoint: req.GetItem().GetReorderPoint()}, nil
}

// drawer is a service behind the gateway that drafts orders.
type drawer struct {
	workordersv1.UnimplementedWorkOrdersServiceServer
}

func (drawer) CreateWorkOrder(ctx context.Context, req *workordersv1.CreateWorkOrderRequest) (*workordersv1.WorkOrder, error) {
	id, _ := auth.FromContext(ctx)
	return &workordersv1.WorkOrder{
		Name: "workOrders/a", State: workordersv1.WorkOrder_DRAFTED, AgentDrafted: id.Has("agent"), DisplayName: id.Account, Remarks: req.GetWorkOrder().GetRemarks(),
	}, nil
}

// StartWorkOrder says what it was started with.
func (drawer) StartWorkOrder(_ context.Context, req *workordersv1.StartWorkOrderRequest) (*workordersv1.WorkOrder, error) {
	return &workordersv1.WorkOrder{Name: req.GetName(), State: workordersv1.WorkOrder_STARTED, StartCounters: req.GetCounters(), Etag: "v2"}, nil
}

// world is a gateway with two services behind it, as one process would run them.
type world struct {
	t     *testing.T
	gw    *gateway.Gateway
	bus   *eventbus.Bus
	clock *clock.Fake
	conn  grpc.ClientConnInterface
	http  *httptest.Server
	admin string // the administrator's session token
	keys  *auth.Keys
	made  atomic.Int64 // how often the service was asked to make an item
}

func newWorld(t *testing.T, change ...func(*gateway.Config)) *world {
	t.Helper()
	w := &world{t: t, bus: eventbustest.Embedded(t), clock: clock.NewFake(start)}
	log := slog.New(slog.DiscardHandler)
	keys, err := auth.NewKeys(bytes.Repeat([]byte("k"), 32))
	if err != nil {
		t.Fatal(err)
	}
	w.keys = keys
	back, err := rpc.NewServer(rpc.Deps{Clock: w.clock, IDs: ids.System(), Log: log, Keys: keys})
	if err != nil {
		t.Fatal(err)
	}
	for _, desc := range []*grpc.ServiceDesc{
		&consumablesv1.ConsumablesQueryService_ServiceDesc, &consumablesv1.ConsumablesService_ServiceDesc,
	} {
		policy := auth.Policy{}
		for _, m := range desc.Methods {
			policy.For(desc.ServiceName, []string{"stores", "admin"}, m.MethodName)
		}
		back.Register(desc, shelf{made: &w.made}, policy)
	}
	back.Register(&workordersv1.WorkOrdersService_ServiceDesc, drawer{}, ordersPolicy())
	rpctest.Serve(t, back)
	toBack := rpc.Caller{Keys: keys, Clock: w.clock}.Memory(back)
	cfg := gateway.Config{
		Storage:      storage.Config{Engine: storage.SQLite, Path: filepath.Join(t.TempDir(), "gateway.db")},
		WebhookAllow: []netip.Prefix{netip.MustParsePrefix("127.0.0.1/32")},
	}
	for _, fn := range change {
		fn(&cfg)
	}
	w.gw, err = gateway.New(t.Context(), cfg, gateway.Deps{
		Clock: w.clock, IDs: ids.System(), Log: log, Keys: keys, Lister: listing.New([]byte("tokens")), Events: w.bus,
		Backends: map[string]grpc.ClientConnInterface{"coldsection.consumables.v1": toBack, "coldsection.workorders.v1": toBack},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = w.gw.Close() })
	w.open()
	return w
}

// ordersPolicy lets planners and agents draft.
func ordersPolicy() auth.Policy {
	policy := auth.Policy{}
	for _, m := range workordersv1.WorkOrdersService_ServiceDesc.Methods {
		policy.For(workordersv1.WorkOrdersService_ServiceDesc.ServiceName, []string{"planner", "agent"}, m.MethodName)
	}
	return policy
}

func serve(t *testing.T, s *rpc.Server, run func() error) {
	t.Helper()
	done := make(chan error, 1)
	go func() { done <- run() }()
	t.Cleanup(func() {
		s.Stop(context.WithoutCancel(t.Context()))
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

// open serves the gateway and signs the first administrator in.
func (w *world) open() {
	w.t.Helper()
	listener, err := (&net.ListenConfig{}).Listen(w.t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		w.t.Fatal(err)
	}
	serve(w.t, w.gw.GRPC(), func() error { return w.gw.GRPC().Serve(listener) })
	conn, err := grpc.NewClient(listener.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		w.t.Fatal(err)
	}
	w.conn = &rpctest.Doubting{ClientConnInterface: conn, T: w.t, Only: "/coldsection.access."}
	handler, err := w.gw.HTTP(w.t.Context())
	if err != nil {
		w.t.Fatal(err)
	}
	w.http = httptest.NewServer(handler)
	w.t.Cleanup(w.http.Close)
	token, err := w.gw.FirstAdmin(w.t.Context())
	if err != nil || token == "" {
		w.t.Fatalf("first administrator: %q, %v", token, err)
	}
	w.admin = w.accept(token)
}

const passphrase = "a long enough passphrase"

func (w *world) accept(token string) string {
	w.t.Helper()
	session, err := accessv1.NewSessionServiceClient(w.conn).AcceptInvitation(w.t.Context(),
		&accessv1.AcceptInvitationRequest{Token: token, Password: passphrase})
	if err != nil {
		w.t.Fatal(err)
	}
	return session.GetToken()
}

// as is a context that carries a bearer token.
func (w *world) as(token string) context.Context {
	return metadata.AppendToOutgoingContext(w.t.Context(), "authorization", "Bearer "+token)
}

// hire makes an account of a person and signs it in.
func (w *world) hire(login string, roles ...string) string {
	w.t.Helper()
	return w.employ(&accessv1.Account{Login: login, DisplayName: login, Person: "people/" + login, Roles: roles, Kind: accessv1.Account_HUMAN})
}

// employ makes an account and signs it in.
func (w *world) employ(a *accessv1.Account) string {
	w.t.Helper()
	accounts := accessv1.NewAccessServiceClient(w.conn)
	_, err := accounts.CreateAccount(w.as(w.admin), &accessv1.CreateAccountRequest{AccountId: a.GetLogin(), Account: a})
	if err != nil {
		w.t.Fatal(err)
	}
	invitation, err := accounts.InviteAccount(w.as(w.admin), &accessv1.InviteAccountRequest{Name: "accounts/" + a.GetLogin()})
	if err != nil {
		w.t.Fatal(err)
	}
	return w.accept(invitation.GetToken())
}

// rest makes an HTTP call and returns the status, the answer and its headers.
func (w *world) rest(method, path, token, body string, headers ...string) (int, map[string]any, http.Header) {
	w.t.Helper()
	req, err := http.NewRequestWithContext(w.t.Context(), method, w.http.URL+path, strings.NewReader(body))
	if err != nil {
		w.t.Fatal(err)
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	status, text, header := w.send(req)
	answer := map[string]any{}
	if err := json.Unmarshal([]byte(text), &answer); err != nil {
		w.t.Fatalf("%s %s: %q is no JSON object: %v", method, path, text, err)
	}
	return status, answer, header
}

// send makes an HTTP call and returns the status, the body and the headers of the answer.
func (w *world) send(req *http.Request) (int, string, http.Header) {
	w.t.Helper()
	resp, err := w.http.Client().Do(req)
	if err != nil {
		w.t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		w.t.Fatal(err)
	}
	return resp.StatusCode, string(text), resp.Header
}

func reasonOf(err error) string {
	f, _ := fault.As(rpc.FromStatus(err))
	if f == nil {
		return ""
	}
	return f.Reason
}

func TestCallsReachTheOwnerOnTheCallersBehalf(t *testing.T) {
	w := newWorld(t)
	token := w.hire("tomas", "stores")
	items := consumablesv1.NewConsumablesQueryServiceClient(w.conn)
	item, err := items.GetItem(w.as(token), &consumablesv1.GetItemRequest{Name: "items/a"})
	if err != nil || item.GetDisplayName() != "accounts/tomas" {
		t.Errorf("gRPC: %v, %v", item, err)
	}
	status, answer, header := w.rest("GET", "/v1/items/a", token, "")
	if status != 200 || answer["displayName"] != "accounts/tomas" || header.Get("ETag") != `"v1"` {
		t.Errorf("REST: %d %v, ETag %s", status, answer, header.Get("ETag"))
	}
}

func TestIdempotencyKeyTravels(t *testing.T) {
	w := newWorld(t)
	const item = `{"displayName":"brush","kind":"CLEANER","baseUnitCode":"L"}`
	for _, key := range []string{"k1", `"k1"`} {
		status, answer, _ := w.rest("POST", "/v1/items", w.admin, item, "Idempotency-Key", key)
		if status != 200 || answer["displayName"] != "k1" {
			t.Errorf("key %s: %d %v", key, status, answer)
		}
	}
}

// Check API-12: that an answer was given before, the caller reads on both protocols, whoever's answer it is: that of a service behind the gateway or the
// gateway's own.
func TestAnAnswerOfBeforeSaysSoOnBothProtocols(t *testing.T) {
	w := newWorld(t)
	items := consumablesv1.NewConsumablesServiceClient(w.conn)
	for key, want := range map[string]string{"known": "true", "new": ""} {
		_, _, header := w.rest("POST", "/v1/items?requestId="+key, w.admin, `{"displayName":"brush","kind":"CLEANER","baseUnitCode":"L"}`)
		if got := header.Get("Idempotency-Replayed"); got != want || header.Get("X-Inner") != "" {
			t.Errorf("REST, %s: %q, want %q; %v", key, got, want, header)
		}
		var told metadata.MD
		req := &consumablesv1.CreateItemRequest{RequestId: key, Item: &consumablesv1.Item{DisplayName: "brush", Kind: consumablesv1.Item_CLEANER, BaseUnitCode: "L"}}
		if _, err := items.CreateItem(w.as(w.admin), req, grpc.Header(&told)); err != nil || strings.Join(told.Get("idempotency-replayed"), ",") != want || len(told.Get("x-inner")) > 0 {
			t.Errorf("gRPC, %s: %v %v, want %q", key, err, told, want)
		}
	}
	const machine = `{"login":"erp","displayName":"ERP","roles":["viewer"],"kind":"MACHINE"}`
	for _, want := range []string{"", "true", "true"} {
		status, answer, header := w.rest("POST", "/v1/accounts?accountId=erp", w.admin, machine, "Idempotency-Key", "k")
		if got := header.Get("Idempotency-Replayed"); status != 200 || got != want {
			t.Errorf("the gateway's own: %d %v, replayed %q, want %q", status, answer, got, want)
		}
	}
}

func TestRefusalsHaveTheSameReasonOnBothSides(t *testing.T) {
	w := newWorld(t)
	viewer := w.hire("vera", "viewer")
	items := consumablesv1.NewConsumablesQueryServiceClient(w.conn)
	for _, c := range []struct {
		token, item string
		status      int
		reason      string
	}{
		{"", "items/a", 401, "NOT_SIGNED_IN"}, {"css_wrong", "items/a", 401, "CREDENTIALS_WRONG"}, {viewer, "items/a", 403, "ROLE_MISSING"},
		{viewer, "items/none", 403, "ROLE_MISSING"}, {w.admin, "items/none", 404, "NOT_FOUND"},
	} {
		ctx := t.Context()
		if c.token != "" {
			ctx = w.as(c.token)
		}
		_, err := items.GetItem(ctx, &consumablesv1.GetItemRequest{Name: c.item})
		status, problem, header := w.rest("GET", "/v1/"+c.item, c.token, "")
		same := reasonOf(err) == c.reason && status == c.status && problem["reason"] == c.reason
		if !same || header.Get("Content-Type") != "application/problem+json" {
			t.Errorf("%+v: gRPC %v; REST %d %v", c, err, status, problem)
		}
	}
}

func TestUnreadableRequests(t *testing.T) {
	w := newWorld(t)
	for _, c := range []struct {
		method, path, body string
		status             int
		reason             string
	}{
		{"POST", "/v1/items", `{"colour":"red"}`, 400, "UNKNOWN_FIELD"}, {"POST", "/v1/items", `{`, 400, "REQUEST_UNREADABLE"},
		{"POST", "/v1/items", `{"kind":"BRUSH"}`, 400, "REQUEST_UNREADABLE"}, {"POST", "/v1/items", `{}`, 400, "FIELD_INVALID"},
		{"GET", "/v1/nothing", "", 404, "PATH_UNKNOWN"}, {"DELETE", "/v1/items/a", "", 405, "METHOD_NOT_ALLOWED"},
	} {
		if status, problem, _ := w.rest(c.method, c.path, w.admin, c.body); status != c.status || problem["reason"] != c.reason {
			t.Errorf("%s %s %s: %d %v", c.method, c.path, c.body, status, problem)
		}
	}
}

func TestFirstAdministratorsTokenIsUsedOnce(t *testing.T) {
	w := newWorld(t)
	if token, err := w.gw.FirstAdmin(t.Context()); token != "" || err != nil {
		t.Errorf("after it was used: %q, %v", token, err)
	}
	sessions := accessv1.NewSessionServiceClient(w.conn)
	_, err := sessions.AcceptInvitation(t.Context(), &accessv1.AcceptInvitationRequest{Token: "csi_wrong", Password: passphrase})
	if reasonOf(err) != "INVITATION_INVALID" {
		t.Errorf("got %v", err)
	}
}

func TestSessionsEnd(t *testing.T) {
	w := newWorld(t)
	sessions := accessv1.NewSessionServiceClient(w.conn)
	current := func(token string) string {
		_, err := sessions.GetCurrentSession(w.as(token), &accessv1.GetCurrentSessionRequest{})
		return reasonOf(err)
	}
	signIn := func() string {
		session, err := sessions.SignIn(t.Context(), &accessv1.SignInRequest{Login: "admin", Password: passphrase})
		if err != nil {
			t.Fatal(err)
		}
		return session.GetToken()
	}
	first, second := signIn(), signIn()
	_, err := sessions.SignOut(w.as(first), &accessv1.SignOutRequest{})
	if err != nil || current(first) != "CREDENTIALS_WRONG" || current(second) != "" {
		t.Errorf("signed out: %v, then %q and %q", err, current(first), current(second))
	}
	change := &accessv1.ChangePasswordRequest{OldPassword: passphrase, NewPassword: "another long passphrase"}
	_, err = sessions.ChangePassword(w.as(second), change)
	if err != nil || current(second) != "" || current(w.admin) != "CREDENTIALS_WRONG" {
		t.Errorf("changed password: %v, this session %q, the other %q", err, current(second), current(w.admin))
	}
	w.clock.Advance(13 * time.Hour)
	if current(second) != "CREDENTIALS_WRONG" {
		t.Error("a session of yesterday works")
	}
}

func TestDisabledAccountsAndTheLastAdministrator(t *testing.T) {
	w := newWorld(t)
	token := w.hire("tomas", "stores")
	accounts := accessv1.NewAccessServiceClient(w.conn)
	if _, err := accounts.DisableAccount(w.as(w.admin), &accessv1.DisableAccountRequest{Name: "accounts/tomas"}); err != nil {
		t.Fatal(err)
	}
	sessions := accessv1.NewSessionServiceClient(w.conn)
	_, err := sessions.GetCurrentSession(w.as(token), &accessv1.GetCurrentSessionRequest{})
	_, again := sessions.SignIn(t.Context(), &accessv1.SignInRequest{Login: "tomas", Password: passphrase})
	if reasonOf(err) != "CREDENTIALS_WRONG" || reasonOf(again) != "CREDENTIALS_WRONG" {
		t.Errorf("a disabled account: %v, %v", err, again)
	}
	_, err = accounts.DisableAccount(w.as(w.admin), &accessv1.DisableAccountRequest{Name: "accounts/admin"})
	if reasonOf(err) != "LAST_ADMIN" {
		t.Errorf("the last administrator: %v", err)
	}
	demote := &accessv1.UpdateAccountRequest{Account: &accessv1.Account{
		Name: "accounts/admin", Login: "admin", DisplayName: "a", Roles: []string{"viewer"}, Kind: accessv1.Account_HUMAN,
	}}
	if _, err := accounts.UpdateAccount(w.as(w.admin), demote); reasonOf(err) != "LAST_ADMIN" {
		t.Errorf("demoting the last administrator: %v", err)
	}
}

func TestApiKeys(t *testing.T) {
	w := newWorld(t)
	accounts := accessv1.NewAccessServiceClient(w.conn)
	_, err := accounts.CreateAccount(w.as(w.admin), &accessv1.CreateAccountRequest{AccountId: "erp", Account: &accessv1.Account{
		Login: "erp", DisplayName: "ERP", Roles: []string{"integrator", "stores"}, Kind: accessv1.Account_MACHINE,
	}})
	if err != nil {
		t.Fatal(err)
	}
	create := &accessv1.CreateApiKeyRequest{
		Parent: "accounts/erp", ApiKey: &accessv1.ApiKey{DisplayName: "pull"}, RequestId: "6f2c9a52-6c1c-4d53-9f0b-0e5a4ad4a001",
	}
	key, err := accounts.CreateApiKey(w.as(w.admin), create)
	if err != nil || key.GetSecret() == "" {
		t.Fatalf("%v, %v", key, err)
	}
	again, err := accounts.CreateApiKey(w.as(w.admin), create)
	if err != nil || again.GetName() != key.GetName() || again.GetSecret() == "" {
		t.Errorf("the same request again: %v, %v", again, err)
	}
	if status, problem, _ := w.rest("GET", "/v1/items/a", key.GetSecret(), ""); status != 401 || problem["reason"] != "CREDENTIALS_WRONG" {
		t.Errorf("with the secret before: %d %v", status, problem)
	}
	status, answer, _ := w.rest("GET", "/v1/items/a", again.GetSecret(), "")
	if status != 200 || answer["displayName"] != "accounts/erp" {
		t.Errorf("with the key: %d %v", status, answer)
	}
	list, err := accessv1.NewAccessQueryServiceClient(w.conn).ListApiKeys(w.as(w.admin), &accessv1.ListApiKeysRequest{Parent: "accounts/erp"})
	if err != nil || len(list.GetApiKeys()) != 1 || list.GetApiKeys()[0].GetSecret() != "" {
		t.Errorf("listed: %v, %v", list, err)
	}
	if _, err := accounts.RevokeApiKey(w.as(w.admin), &accessv1.RevokeApiKeyRequest{Name: key.GetName()}); err != nil {
		t.Fatal(err)
	}
	if status, problem, _ := w.rest("GET", "/v1/items/a", again.GetSecret(), ""); status != 401 || problem["reason"] != "CREDENTIALS_WRONG" {
		t.Errorf("revoked: %d %v", status, problem)
	}
}

func TestAuditShowsChangesAndRefusals(t *testing.T) {
	w := newWorld(t)
	viewer := w.hire("vera", "viewer")
	w.rest("GET", "/v1/items/a", viewer, "")
	w.rest("POST", "/v1/items", w.admin, `{"displayName":"brush","kind":"CLEANER","baseUnitCode":"L"}`)
	list, err := accessv1.NewAccessQueryServiceClient(w.conn).ListAuditEvents(w.as(w.admin), &accessv1.ListAuditEventsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for _, e := range list.GetAuditEvents() {
		lines = append(lines, strings.Join([]string{e.GetAccount(), e.GetMethod(), e.GetTarget(), e.GetOutcome()}, " "))
	}
	for _, want := range []string{
		"accounts/vera coldsection.consumables.v1.ConsumablesQueryService/GetItem items/a ROLE_MISSING",
		"accounts/admin coldsection.consumables.v1.ConsumablesService/CreateItem  OK",
		"accounts/admin coldsection.access.v1.AccessService/InviteAccount accounts/vera OK",
	} {
		if !slices.Contains(lines, want) {
			t.Errorf("%q is missing from\n%s", want, strings.Join(lines, "\n"))
		}
	}
}

func TestReauthentication(t *testing.T) {
	w := newWorld(t)
	sessions := accessv1.NewSessionServiceClient(w.conn)
	proof, err := sessions.Reauthenticate(w.as(w.admin), &accessv1.ReauthenticateRequest{Password: passphrase})
	if err != nil || proof.GetReauthenticationToken() == "" || !proof.GetExpireTime().AsTime().Equal(start.Add(auth.ProofLife)) {
		t.Errorf("got %v, %v", proof, err)
	}
	_, err = sessions.Reauthenticate(w.as(w.admin), &accessv1.ReauthenticateRequest{Password: "wrong"})
	if reasonOf(err) != "CREDENTIALS_WRONG" {
		t.Errorf("a wrong password: %v", err)
	}
}

func TestFeed(t *testing.T) {
	w := newWorld(t)
	for i, id := range []string{"f1", "f2", "f3"} {
		e := outbox.New(id, start, "consumables", "coldsection.stock.issued.v1", "stockMovements/m", &consumablesv1.StockMoved{Movement: id})
		e.Version = int64(i + 1)
		if err := w.bus.Publish(t.Context(), e); err != nil {
			t.Fatal(err)
		}
	}
	status, answer, _ := w.rest("GET", "/v1/events?pageSize=2", w.admin, "")
	events, _ := answer["events"].([]any)
	if status != 200 || len(events) != 2 || answer["nextCursor"] != "00000000000000000002" {
		t.Fatalf("%d %v", status, answer)
	}
	client := accessv1.NewEventsServiceClient(w.conn)
	rest, err := client.ListEvents(w.as(w.admin), &accessv1.ListEventsRequest{After: "00000000000000000002"})
	if err != nil || len(rest.GetEvents()) != 1 || rest.GetEvents()[0].GetId() != "f3" {
		t.Errorf("got %v, %v", rest, err)
	}
	watching, stop := context.WithCancel(w.as(w.admin))
	defer stop()
	stream, err := client.WatchEvents(watching, &accessv1.WatchEventsRequest{After: "00000000000000000001"})
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"f2", "f3"} {
		if got, err := stream.Recv(); err != nil || got.GetEvent().GetId() != want {
			t.Fatalf("watched %v, %v; want %s", got, err, want)
		}
	}
	for request, reason := range map[*accessv1.ListEventsRequest]string{
		{After: "x"}: "CURSOR_INVALID", {PageSize: -1}: "PAGE_SIZE_INVALID", {Types: []string{"stock"}}: "EVENT_TYPE_INVALID",
	} {
		if _, err := client.ListEvents(w.as(w.admin), proto.CloneOf(request)); reasonOf(err) != reason {
			t.Errorf("%v: %v, want %s", request, err, reason)
		}
	}
}
