package gateway

import (
	"context"
	"net/http"
	"strings"

	"github.com/modelcontextprotocol/go-sdk/mcp"
	"google.golang.org/grpc"

	"coldsection.example/gateway/internal/agentdoor"
	"coldsection.example/gateway/internal/rest"
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
		if err := g.letIn(r); err != nil {
			w.Header().Set("WWW-Authenticate", "Bearer")
			rest.Refuse(w, g.refuse(r, err))
			return
		}
		handler.ServeHTTP(w, r)
	})
	return agentdoor.Register(mux)
}

// letIn says whether a request has a valid bearer token. Reasons: NOT_SIGNED_IN, CREDENTIALS_WRONG.
func (g *Gateway) letIn(r *http.Request) error {
	token, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if !ok {
		return fault.New(fault.Unauthenticated, "NOT_SIGNED_IN", "Nobody is signed in. Send \"Bearer\" and an API key in the Authorization header.")
	}
	_, _, err := g.store.Identify(r.Context(), token)
	return err
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
