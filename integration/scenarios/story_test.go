package scenarios

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/suite"
	"coldsection.example/services/suite/story"
)

// stage is a suite in one process with a state folder of its own, on addresses that stay the same when it starts again.
type stage struct {
	t     *testing.T
	cfg   suite.Config
	suite *suite.Suite
	conn  *grpc.ClientConn
	token string
}

func newStage(t *testing.T) *stage {
	t.Helper()
	dir := t.TempDir()
	s := &stage{t: t, cfg: suite.Config{StateDir: dir, ClockFile: filepath.Join(dir, "clock"), HTTP: freeAddress(t), GRPC: freeAddress(t)}}
	s.start()
	t.Cleanup(func() { s.suite.Stop() })
	s.token = s.suite.FirstAdminToken()
	conn, err := grpc.NewClient(s.cfg.GRPC, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(20<<20), grpc.MaxCallSendMsgSize(20<<20)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	s.conn = conn
	return s
}

// freeAddress is a loopback address that was free a moment ago.
func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	return l.Addr().String()
}

func (s *stage) start() {
	s.t.Helper()
	var err error
	if s.suite, err = suite.Start(context.WithoutCancel(s.t.Context()), s.cfg, slog.New(slog.NewTextHandler(logWriter{s.t}, &slog.HandlerOptions{Level: slog.LevelWarn}))); err != nil {
		s.t.Fatal(err)
	}
}

// logWriter shows warnings of the suite with the test's own output.
type logWriter struct{ t *testing.T }

func (w logWriter) Write(line []byte) (int, error) {
	w.t.Log(strings.TrimSpace(string(line)))
	return len(line), nil
}

// teller keeps the story for the log of a failed test.
type teller struct{ t *testing.T }

func (w teller) Chapter(title string)            { w.t.Log(title) }
func (w teller) Line(format string, args ...any) { w.t.Log("  " + fmt.Sprintf(format, args...)) }

// play runs the story and checks that it ended as it must.
func (s *stage) play(after func(calls int)) story.Outcome {
	s.t.Helper()
	out, err := story.New(story.Options{
		Conn: s.conn, FirstAdminToken: s.token, Patience: 30 * time.Second, After: after,
		SetClock: func(t time.Time) error { return clock.SetFile(s.cfg.ClockFile, t) },
	}, teller{s.t}).Run(s.t.Context())
	if err != nil {
		s.t.Fatal(err)
	}
	if out.Recovery != "RECOVERED" || out.DueAfter <= out.DueBefore || out.FeedEvents == 0 || out.WorkOrder == "" || out.Blend == "" {
		s.t.Errorf("the story ended with %+v", out)
	}
	return out
}

func TestStoryInOneProcess(t *testing.T) {
	newStage(t).play(nil)
}

// The process is stopped and started again between two calls, at several places: nothing is lost and nothing is done twice,
// so the story ends in the same facts.
func TestStoryGoesOnAfterRestarts(t *testing.T) {
	whole := newStage(t).play(nil)
	s := newStage(t)
	places := map[int]bool{}
	for i := 1; i <= 5; i++ {
		places[whole.Calls*i/6] = true
	}
	restarts := 0
	broken := s.play(func(calls int) {
		if places[calls] {
			delete(places, calls)
			restarts++
			s.suite.Stop()
			s.start()
		}
	})
	if restarts != 5 {
		t.Errorf("%d restarts", restarts)
	}
	if broken.FeedEvents != whole.FeedEvents || broken.DueAfter != whole.DueAfter || broken.Recovery != whole.Recovery {
		t.Errorf("with restarts %+v, without %+v", broken, whole)
	}
}
