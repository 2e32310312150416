package rest

import (
	"bytes"
	"context"
	"crypto/sha256"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/rpc"
)

// archive gives out a pack that it never holds: each byte follows from where it is.
type archive struct {
	compliancev1.UnimplementedRecordPackServiceServer

	total  int64
	broken int64 // parts from here on are refused; 0 for none, -1 for all
	asked  atomic.Int64
}

func (a *archive) DownloadRecordPack(_ context.Context, req *compliancev1.DownloadRecordPackRequest) (*compliancev1.DownloadRecordPackResponse, error) {
	a.asked.Add(1)
	if a.broken < 0 || a.broken > 0 && req.GetOffset() >= a.broken {
		return nil, rpc.ToStatus(fault.Missing(req.GetName()))
	}
	n := min(int64(req.GetMaxBytes()), a.total-req.GetOffset())
	resp := &compliancev1.DownloadRecordPackResponse{Content: make([]byte, n), MediaType: "application/zip", FileName: "RP-1.zip", TotalBytes: a.total}
	for i := range resp.GetContent() {
		resp.Content[i] = byteAt(req.GetOffset() + int64(i))
	}
	if next := req.GetOffset() + n; next < a.total {
		resp.NextOffset = next
	}
	return resp, nil
}

func byteAt(at int64) byte { return byte(at ^ at>>8 ^ at>>16) }

// archiveAt serves the REST side of an archive.
func archiveAt(t *testing.T, a *archive) *httptest.Server {
	t.Helper()
	listener := bufconn.Listen(1 << 16)
	srv := grpc.NewServer()
	compliancev1.RegisterRecordPackServiceServer(srv, a)
	go func() { _ = srv.Serve(listener) }()
	t.Cleanup(srv.Stop)
	conn, err := grpc.NewClient("passthrough:archive", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	handler, err := Handler(t.Context(), conn, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	door := httptest.NewServer(handler)
	t.Cleanup(door.Close)
	return door
}

func fetched(t *testing.T, url string) *http.Response {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, http.NoBody)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = resp.Body.Close() })
	return resp
}

// live is what is in use after everything else was given back.
func live() uint64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// A pack of 64 MiB is one file over HTTP with its length, and no more than a few of its 64 parts is held at any time.
func TestALargePackIsSentPartByPart(t *testing.T) {
	a := &archive{total: 64<<20 + 17}
	resp := fetched(t, archiveAt(t, a).URL+"/v1/recordPacks/a:download") //nolint:bodyclose // at the end of the test
	if resp.StatusCode != http.StatusOK || resp.ContentLength != a.total || resp.Header.Get("Content-Type") != "application/zip" ||
		!strings.Contains(resp.Header.Get("Content-Disposition"), "RP-1.zip") {
		t.Fatalf("%d, %d bytes, %v", resp.StatusCode, resp.ContentLength, resp.Header)
	}
	before, most := live(), uint64(0)
	sum, want, buf := sha256.New(), sha256.New(), make([]byte, 1<<20)
	for at := int64(0); at < a.total; {
		n, err := io.ReadFull(resp.Body, buf[:min(int64(len(buf)), a.total-at)])
		if err != nil {
			t.Fatal(err)
		}
		_, _ = sum.Write(buf[:n])
		for i := range n {
			buf[i] = byteAt(at + int64(i))
		}
		_, _ = want.Write(buf[:n])
		if at += int64(n); at>>20%8 == 0 {
			most = max(most, live())
		}
	}
	if !bytes.Equal(sum.Sum(nil), want.Sum(nil)) {
		t.Error("what came is not what was sent")
	}
	if asked := a.asked.Load(); asked != 65 {
		t.Errorf("%d parts were asked for", asked)
	}
	if most > before+24<<20 {
		t.Errorf("%d MiB are held more than before", (most-before)>>20)
	}
}

// A pack that ends in the middle is no whole file to its reader; what is refused at once is a refusal.
func TestAPackThatBreaksOffIsNotTakenForWhole(t *testing.T) {
	door := archiveAt(t, &archive{total: 8 << 20, broken: 2 << 20})
	if got, err := io.ReadAll(fetched(t, door.URL+"/v1/recordPacks/a:download").Body); err == nil { //nolint:bodyclose // at the end of the test
		t.Errorf("%d bytes were taken for the whole file", len(got))
	}
	refused := fetched(t, archiveAt(t, &archive{total: 8 << 20, broken: -1}).URL+"/v1/recordPacks/a:download") //nolint:bodyclose // at the end of the test
	if refused.StatusCode != http.StatusNotFound || refused.Header.Get("Content-Type") != "application/problem+json" {
		t.Errorf("answered %d, %v", refused.StatusCode, refused.Header)
	}
}

// Who asks for a part gets that part alone.
func TestAPartOfAPackIsGivenAlone(t *testing.T) {
	a := &archive{total: 8 << 20}
	got, err := io.ReadAll(fetched(t, archiveAt(t, a).URL+"/v1/recordPacks/a:download?offset=5&maxBytes=3").Body) //nolint:bodyclose // at the end of the test
	if err != nil || !bytes.Equal(got, []byte{byteAt(5), byteAt(6), byteAt(7)}) || a.asked.Load() != 1 {
		t.Errorf("%v, %v, asked %d times", got, err, a.asked.Load())
	}
}
