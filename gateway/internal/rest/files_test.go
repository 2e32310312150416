package rest

import (
	"context"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	workordersv1 "coldsection.example/proto/coldsection/workorders/v1"
)

// artist draws the same trend for everybody.
type artist struct {
	performancev1.UnimplementedPerformanceQueryServiceServer
}

func (artist) RenderTrend(_ context.Context, req *performancev1.RenderTrendRequest) (*performancev1.RenderTrendResponse, error) {
	return &performancev1.RenderTrendResponse{Content: []byte("<svg>" + req.GetFormat().String() + "</svg>"), MediaType: "image/svg+xml", FileName: "trend.svg"}, nil
}

// keeper gives the same photograph to everybody.
type keeper struct {
	workordersv1.UnimplementedWorkOrdersQueryServiceServer
}

func (keeper) DownloadAttachment(context.Context, *workordersv1.DownloadAttachmentRequest) (*workordersv1.DownloadAttachmentResponse, error) {
	return &workordersv1.DownloadAttachmentResponse{Content: []byte("bytes"), MediaType: "image/png", FileName: "WO-1.png", Sha256: "abc", Uploader: "people/ann"}, nil
}

// doorTo is the REST side of an artist and a keeper.
func doorTo(t *testing.T) http.Handler {
	t.Helper()
	listener := bufconn.Listen(1 << 16)
	srv := grpc.NewServer()
	performancev1.RegisterPerformanceQueryServiceServer(srv, artist{})
	workordersv1.RegisterWorkOrdersQueryServiceServer(srv, keeper{})
	go func() { _ = srv.Serve(listener) }()
	t.Cleanup(srv.Stop)
	conn, err := grpc.NewClient("passthrough:artist", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	handler, err := Handler(t.Context(), conn, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	return handler
}

// What a person brought is saved as a file under its name, is told by its hash, and nothing in it runs.
func TestAnUploadIsSavedAndNotShown(t *testing.T) {
	w := httptest.NewRecorder()
	doorTo(t).ServeHTTP(w, httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/v1/workOrders/one/attachments/abc:download", nil))
	h := w.Header()
	if w.Code != http.StatusOK || w.Body.String() != "bytes" || h.Get("Content-Type") != "image/png" || h.Get("Content-Disposition") != "attachment; filename=WO-1.png" ||
		h.Get("ETag") != `"abc"` || h.Get("X-Content-Type-Options") != "nosniff" || !strings.Contains(h.Get("Content-Security-Policy"), "sandbox") {
		t.Errorf("%d %v %s", w.Code, h, w.Body)
	}
}

func TestAFileIsServedAsItself(t *testing.T) {
	handler := doorTo(t)
	for accept, want := range map[string][2]string{
		"": {"image/svg+xml", "<svg>IMAGE_FORMAT_PNG</svg>"}, "image/*": {"image/svg+xml", "<svg>IMAGE_FORMAT_PNG</svg>"},
		"text/html,application/xhtml+xml,*/*;q=0.8": {"image/svg+xml", "<svg>IMAGE_FORMAT_PNG</svg>"}, "application/json": {"application/json", `"mediaType":"image/svg+xml"`},
	} {
		w := httptest.NewRecorder()
		r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/v1/engines/one/trend:render?format=IMAGE_FORMAT_PNG", nil)
		if accept != "" {
			r.Header.Set("Accept", accept)
		}
		handler.ServeHTTP(w, r)
		if w.Code != http.StatusOK || w.Header().Get("Content-Type") != want[0] || !strings.Contains(strings.ReplaceAll(w.Body.String(), " ", ""), want[1]) {
			t.Errorf("%q: %d %s %s", accept, w.Code, w.Header(), w.Body)
		}
		if h := w.Header(); h.Get("Content-Disposition") != "inline; filename=trend.svg" || !strings.Contains(h.Get("Content-Security-Policy"), "sandbox") ||
			h.Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%q: headers %v", accept, h)
		}
	}
}
