package rest

import (
	"context"
	"fmt"
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

// RenderEngineExceedance draws the same record for everybody.
func (artist) RenderEngineExceedance(_ context.Context, req *performancev1.RenderEngineExceedanceRequest) (*performancev1.RenderEngineExceedanceResponse, error) {
	return &performancev1.RenderEngineExceedanceResponse{Content: []byte("<svg>" + req.GetName() + "</svg>"), MediaType: "image/svg+xml", FileName: "exceedance.svg"}, nil
}

// reckoner draws any trace that it is sent.
type reckoner struct {
	performancev1.UnimplementedPerformanceCalculationServiceServer
}

func (reckoner) RenderExceedance(_ context.Context, req *performancev1.RenderExceedanceRequest) (*performancev1.RenderExceedanceResponse, error) {
	content := fmt.Sprintf("%s %s %s %v", req.GetName(), req.GetChart(), req.GetUnitCode(), req.GetSamples()[1].GetValue())
	return &performancev1.RenderExceedanceResponse{Content: []byte(content), MediaType: "image/png", FileName: "exceedance-itt.png", AlternativeText: "words"}, nil
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
	performancev1.RegisterPerformanceCalculationServiceServer(srv, reckoner{})
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

// An exceedance is drawn from a posted trace, and from its record; either way the answer is the file, or JSON with the words for whoever asks.
func TestAnExceedanceIsServedAsAPicture(t *testing.T) {
	handler := doorTo(t)
	const body = `{"chart":"itt","unitCode":"Cel","samples":[{"offsetSeconds":0,"value":700},{"offsetSeconds":1,"value":840}]}`
	for _, ask := range []struct{ method, path, body, accept, media, file, want string }{
		{http.MethodPost, "/v1/engineModels/a:renderExceedance", body, "image/png", "image/png", "exceedance-itt.png", "engineModels/a itt Cel 840"},
		{http.MethodPost, "/v1/engineModels/a:renderExceedance", body, "application/json", "application/json", "exceedance-itt.png", `"alternativeText":"words"`},
		{http.MethodPost, "/v1/engineModels/a:renderExceedance", strings.Replace(body, "840", "NaN", 1), "", "application/problem+json", "", "840"},
		{http.MethodGet, "/v1/engines/one/engineExceedances/x1:render", "", "", "image/svg+xml", "exceedance.svg", "<svg>engines/one/engineExceedances/x1</svg>"},
	} {
		w := httptest.NewRecorder()
		r := httptest.NewRequestWithContext(t.Context(), ask.method, ask.path, strings.NewReader(ask.body))
		r.Header.Set("Accept", ask.accept)
		r.Header.Set("Content-Type", "application/json")
		handler.ServeHTTP(w, r)
		if ask.file == "" {
			if w.Code != http.StatusBadRequest || strings.Contains(w.Body.String(), ask.want) {
				t.Errorf("what is no number: %d %s", w.Code, w.Body)
			}
			continue
		}
		if w.Code != http.StatusOK || w.Header().Get("Content-Type") != ask.media || !strings.Contains(strings.ReplaceAll(w.Body.String(), `": "`, `":"`), ask.want) ||
			w.Header().Get("Content-Disposition") != "inline; filename="+ask.file {
			t.Errorf("%s %q: %d %v %s", ask.path, ask.accept, w.Code, w.Header(), w.Body)
		}
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
