package suite

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/suite/story"
)

// patience is how long the story repeats a call while the suite can't be reached.
const patience = 5 * time.Second

type demoCommand struct {
	Exit  bool   `help:"End when the story is told instead of staying up for a look."`
	State string `help:"A folder to keep the demonstration in; by default a scratch folder that is removed at the end."`
	HTTP  string `default:"127.0.0.1:0" help:"Where the gateway serves HTTP; port 0 takes a free one."`
	GRPC  string `default:"127.0.0.1:0" help:"Where the gateway serves gRPC; port 0 takes a free one."`
}

// teller prints the story.
type teller struct{ w io.Writer }

// Chapter starts a part of the story.
func (t teller) Chapter(title string) { _, _ = fmt.Fprintf(t.w, "\n%s\n", title) }

// Line tells one fact.
func (t teller) Line(format string, args ...any) { _, _ = fmt.Fprintf(t.w, "  "+format+"\n", args...) }

func (c *demoCommand) run(ctx context.Context, stdout, stderr io.Writer) (err error) {
	dir := c.State
	if dir == "" {
		if dir, err = os.MkdirTemp("", "coldsection-demo-"); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	}
	clockFile := filepath.Join(dir, "clock")
	log := slog.New(slog.NewJSONHandler(stderr, &slog.HandlerOptions{Level: slog.LevelError}))
	s, err := Start(ctx, Config{StateDir: dir, HTTP: c.HTTP, GRPC: c.GRPC, ClockFile: clockFile, Reflection: true}, log)
	if err != nil {
		return err
	}
	defer s.Stop()
	if _, err := fmt.Fprintln(stdout, "Everything here is invented and for demonstration only; use none of it on an engine."); err != nil {
		return err
	}
	if err := tell(ctx, s, clockFile, stdout); err != nil {
		return err
	}
	if c.Exit {
		return nil
	}
	_, err = fmt.Fprintf(stdout, "\nThe suite stays up at http://%s and %s (gRPC) until you press Ctrl-C. Sign in as planner, technician, "+
		"inspector, releaser, stores, quality, analyst or admin with %q.\n", s.HTTPAddress(), s.GRPCAddress(), story.Password)
	if err != nil {
		return err
	}
	return s.Wait(ctx)
}

// tell runs the story against the suite's own public address.
func tell(ctx context.Context, s *Suite, clockFile string, w io.Writer) error {
	conn, err := grpc.NewClient(s.GRPCAddress(), grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(20<<20), grpc.MaxCallSendMsgSize(20<<20)))
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close() }()
	_, err = story.New(story.Options{
		Conn: conn, FirstAdminToken: s.FirstAdminToken(), Patience: patience,
		SetClock: func(t time.Time) error { return clock.SetFile(clockFile, t) },
	}, teller{w}).Run(ctx)
	if ctx.Err() != nil {
		return errInterrupted
	}
	return err
}
