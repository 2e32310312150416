package gateway

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net/http"
	"strings"

	"github.com/modelcontextprotocol/go-sdk/mcp"
	"google.golang.org/grpc"

	"coldsection.example/gateway/internal/agentdoor"
	"coldsection.example/gateway/internal/rest"
	accessv1 "coldsection.example/proto/coldsection/access/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/fault"
)

// openAgentDoor serves the tools for programs that reason in text at /mcp. Only a bearer token lets a caller in: a browser's
// cookie does not, so that no page can call in its owner's name.
func (g *Gateway) openAgentDoor(mux *http.ServeMux) error {
	handler, err := agentdoor.Handler(g.self)
	if err != nil {
		return err
	}
	mux.HandleFunc("/mcp", func(w http.ResponseWriter, r *http.Request) {
		if err := g.letIn(w, r); err != nil {
			if f, ok := fault.As(err); ok && f.Category == fault.Unauthenticated {
				w.Header().Set("WWW-Authenticate", "Bearer")
			}
			rest.Refuse(w, g.refuse(r, err))
			return
		}
		handler.ServeHTTP(w, r)
	})
	return agentdoor.Register(mux)
}

// drafting is the one change that an agent may make: an order for people to judge.
const drafting = workordersv1.WorkOrdersService_CreateWorkOrder_FullMethodName

// allowAgent holds an agent to reading and drafting, whatever else its account may do and by whichever way it calls; a person with this role still
// looks after the own session. What comes through the agent's door is drafted by an agent only, as nothing else would be marked so.
// Reasons: AGENT_LIMITED, AGENT_ROLE_NEEDED.
func allowAgent(ctx context.Context, method string) error {
	id, _ := auth.FromContext(ctx)
	agent, changes := id.Has(agentRole), !readOnly(method)
	own := id.Kind == auth.Human && strings.HasPrefix(method, "/"+accessv1.SessionService_ServiceDesc.ServiceName+"/")
	switch {
	case agent && changes && method != drafting && !own:
		return fault.Denied("AGENT_LIMITED", "%s is an agent, which reads and drafts orders and nothing else, so it may not call %s. Ask a person to do it.",
			id.Account, method).With("method", method)
	case !agent && changes && agentdoor.CameThrough(ctx):
		return fault.Denied("AGENT_ROLE_NEEDED", "%s does not have the role agent, so what it drafts through this door would not be marked as a machine's. "+
			"Use the key of an account with that role.", id.Account)
	default:
		return nil
	}
}

// agentRole is the role of programs that reason in text.
const agentRole = "agent"

// letIn says whether a request may be heard: no page of another site sends it (RFC 6454), it has a valid bearer token, and it is one message, since
// many in one would be worked on at once and answered from memory. Reasons: ORIGIN_FOREIGN, NOT_SIGNED_IN, CREDENTIALS_WRONG, REQUEST_TOO_LARGE,
// REQUEST_UNREADABLE, MESSAGES_TOGETHER.
func (g *Gateway) letIn(w http.ResponseWriter, r *http.Request) error {
	if http.NewCrossOriginProtection().Check(r) != nil {
		return fault.Denied("ORIGIN_FOREIGN", "A page of %q sent this. Call from a program, or from a page that this gateway serves.", shortened(r.Header.Get("Origin")))
	}
	token, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if !ok {
		return fault.New(fault.Unauthenticated, "NOT_SIGNED_IN", "Nobody is signed in. Send \"Bearer\" and an API key in the Authorization header.")
	}
	if _, _, err := g.store.Identify(r.Context(), token); err != nil {
		return err
	}
	const largest = 128 << 10 // bytes; the longest text that a draft takes is 4,000 characters
	text, err := io.ReadAll(http.MaxBytesReader(w, r.Body, largest))
	if _, large := errors.AsType[*http.MaxBytesError](err); large {
		return fault.New(fault.ResourceExhausted, "REQUEST_TOO_LARGE", "The message has more than %d bytes. Send shorter arguments.", largest)
	}
	if err != nil {
		return fault.Invalid("", "REQUEST_UNREADABLE", "The message ended early. Send it again.").Because(err)
	}
	if bytes.HasPrefix(bytes.TrimSpace(text), []byte("[")) {
		return fault.Invalid("", "MESSAGES_TOGETHER", "The request has several messages in one. Send each in a request of its own.")
	}
	r.Body = io.NopCloser(bytes.NewReader(text))
	return nil
}

// ServeAgent serves the agent's tools over a transport, such as standard input and output, until ctx or the transport ends.
// conn reaches a gateway's public gRPC address and brings its own key.
func ServeAgent(ctx context.Context, conn grpc.ClientConnInterface, transport mcp.Transport) error {
	server, err := agentdoor.New(conn)
	if err != nil {
		return err
	}
	return server.Run(ctx, transport)
}
