package door

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	"coldsection.example/integration/harness"
	consumablesv1 "coldsection.example/proto/coldsection/consumables/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/clock"
)

// How much is measured: calls of one caller in rounds, the ways by turns, so that whatever else the machine does falls on all;
// then so many callers at once for so long.
const (
	rounds    = 20
	callsEach = 100
	callers   = 8
	listed    = 50
	pushing   = 2 * time.Second
)

func TestMain(m *testing.M) { harness.Main(m) }

func bearer(ctx context.Context, token string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
}

// way is one way to the service; its calls are numbered.
type way struct {
	name string
	call func(ctx context.Context, n int64) error
}

// calls are what is measured.
var calls = []struct {
	name string
	ways func(s *stage) []way
}{{"get", gets}, {"list", lists}, {"create", creates}}

// identified is the direct caller's context: what the gateway says of its callers to the service.
func identified(ctx context.Context) context.Context {
	return auth.NewContext(ctx, auth.Identity{
		Account: "accounts/measured", DisplayName: "Measured", Roles: roles, Kind: auth.Human, SessionID: "measured",
	})
}

// both makes a call on both gRPC connections, and a REST call beside them.
func both(s *stage, call func(ctx context.Context, conn grpc.ClientConnInterface, n int64) error, rest func(ctx context.Context, n int64) error) []way {
	return []way{
		{"direct", func(ctx context.Context, n int64) error { return call(identified(ctx), s.direct, n) }},
		{"grpc", func(ctx context.Context, n int64) error { return call(bearer(ctx, s.token), s.door, n) }},
		{"rest", rest},
	}
}

func gets(s *stage) []way {
	return both(s, func(ctx context.Context, conn grpc.ClientConnInterface, _ int64) error {
		_, err := consumablesv1.NewConsumablesQueryServiceClient(conn).GetItem(ctx, &consumablesv1.GetItemRequest{Name: "items/m-0"})
		return err
	}, func(ctx context.Context, _ int64) error { return s.rest(ctx, http.MethodGet, "/v1/items/m-0", "") })
}

func lists(s *stage) []way {
	return both(s, func(ctx context.Context, conn grpc.ClientConnInterface, _ int64) error {
		_, err := consumablesv1.NewConsumablesQueryServiceClient(conn).ListItems(ctx, &consumablesv1.ListItemsRequest{PageSize: listed})
		return err
	}, func(ctx context.Context, _ int64) error {
		return s.rest(ctx, http.MethodGet, fmt.Sprintf("/v1/items?pageSize=%d", listed), "")
	})
}

func creates(s *stage) []way {
	return both(s, create, func(ctx context.Context, n int64) error {
		return s.rest(ctx, http.MethodPost, fmt.Sprintf("/v1/items?itemId=m-%d", n), `{"displayName":"Measured","kind":"OTHER","baseUnitCode":"kg"}`)
	})
}

func create(ctx context.Context, conn grpc.ClientConnInterface, n int64) error {
	_, err := consumablesv1.NewConsumablesServiceClient(conn).CreateItem(ctx, &consumablesv1.CreateItemRequest{
		ItemId: fmt.Sprintf("m-%d", n), Item: &consumablesv1.Item{DisplayName: "Measured", Kind: consumablesv1.Item_OTHER, BaseUnitCode: "kg"},
	})
	return err
}

func (s *stage) rest(ctx context.Context, method, path, body string) error {
	req, err := http.NewRequestWithContext(ctx, method, s.URL(path), bytes.NewReader([]byte(body)))
	if err != nil {
		return err
	}
	req.Header.Set("Authorization", "Bearer "+s.token)
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	resp, err := client.Do(req)
	if err != nil {
		return err
	}
	defer func() { _ = resp.Body.Close() }()
	text, err := io.ReadAll(resp.Body)
	if err == nil && resp.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s %s: %d %s", method, path, resp.StatusCode, text)
	}
	return err
}

// latency is each way's median time of a call, the ways by turns.
func latency(b *testing.B, ways []way, n *atomic.Int64) []time.Duration {
	b.Helper()
	took := make([][]time.Duration, len(ways))
	for range rounds {
		for i, w := range ways {
			for range callsEach {
				began := clock.System().Now()
				if err := w.call(b.Context(), n.Add(1)); err != nil {
					b.Fatal(w.name, err)
				}
				took[i] = append(took[i], clock.System().Now().Sub(began))
			}
		}
	}
	var out []time.Duration
	for _, t := range took {
		slices.Sort(t)
		out = append(out, t[len(t)/2])
	}
	return out
}

// throughput is how many calls in a second many callers at once get through.
func throughput(b *testing.B, w way, n *atomic.Int64) float64 {
	b.Helper()
	ctx, cancel := context.WithTimeout(b.Context(), pushing)
	defer cancel()
	var done atomic.Int64
	var all sync.WaitGroup
	for range callers {
		all.Go(func() {
			for ctx.Err() == nil {
				if err := w.call(b.Context(), n.Add(1)); err != nil {
					b.Error(w.name, err)
					return
				}
				done.Add(1)
			}
		})
	}
	all.Wait()
	return float64(done.Load()) / pushing.Seconds()
}

// BenchmarkDoor prints for each mode and call the direct median, how many times as long it takes through the gateway, and how many calls a second many
// callers get through.
func BenchmarkDoor(b *testing.B) {
	for _, mode := range modes {
		s, n := mode.open(b), &atomic.Int64{}
		for i := range int64(listed) {
			if err := create(identified(b.Context()), s.direct, i); err != nil {
				b.Fatal(err)
			}
		}
		n.Store(listed)
		for _, c := range calls {
			b.Run(mode.name+"/"+c.name, func(b *testing.B) {
				ways := c.ways(s)
				for b.Loop() {
					took := latency(b, ways, n)
					b.ReportMetric(float64(took[0].Nanoseconds())/1000, "direct-µs")
					for i, w := range ways {
						if i > 0 {
							b.ReportMetric(float64(took[i])/float64(took[0]), w.name+"-times")
						}
						b.ReportMetric(throughput(b, w, n), w.name+"/s")
					}
				}
				b.ReportMetric(0, "ns/op")
			})
		}
	}
}
