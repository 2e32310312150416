package eventbus

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
)

const (
	startLimit     = 30 * time.Second       // how long an embedded server may take to recover its files
	reconnectPause = 100 * time.Millisecond // until it is tried again to reach an embedded server that is being started anew

	lookAtHealth = time.Second // between looks at the embedded server
	unwell       = 2           // looks that find it unwell before it is started again
	probeBytes   = 1 << 20     // that the disk must take before that
)

// embedded is the event server inside this process, without any open port. One whose disk failed takes no fact any more, also when there is
// room again; it is then started anew on its files, and who was connected to it connects again.
type embedded struct {
	cfg     Config
	known   []*server.NkeyUser // whom it lets in; empty lets in everybody of this process
	mu      sync.Mutex
	current *server.Server
	end     context.CancelFunc
	ended   chan struct{}
}

// startEmbedded starts the server on its files and watches it until stop.
func startEmbedded(cfg Config, known []*server.NkeyUser) (*embedded, error) {
	e := &embedded{cfg: cfg, known: known, ended: make(chan struct{})}
	if err := e.start(); err != nil {
		return nil, err
	}
	ctx, end := context.WithCancel(context.Background())
	e.end = end
	go e.watch(ctx)
	return e, nil
}

func (e *embedded) start() error {
	s, err := server.NewServer(&server.Options{
		ServerName: "coldsection", DontListen: true, JetStream: true, StoreDir: e.cfg.Dir, SyncAlways: true, NoLog: true, NoSigs: true, Nkeys: e.known,
	})
	if err != nil {
		return fmt.Errorf("the embedded event stream: %w", err)
	}
	if e.cfg.Log != nil {
		s.SetLogger(serverLog{e.cfg.Log.With("event_server", "embedded")}, false, false)
	}
	e.current = s
	s.Start()
	if !s.ReadyForConnections(startLimit) {
		s.Shutdown()
		return fmt.Errorf("the embedded event stream in %s did not start within %v", e.cfg.Dir, startLimit)
	}
	return nil
}

// reach are the options of a connection that finds the server again after it was started anew.
func (e *embedded) reach() []nats.Option {
	return []nats.Option{nats.InProcessServer(e), nats.MaxReconnects(-1), nats.ReconnectWait(reconnectPause), nats.ReconnectJitter(0, 0)}
}

// InProcessConn connects to the server that runs now.
func (e *embedded) InProcessConn() (net.Conn, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.current.InProcessConn()
}

// stop ends the server once it has written everything.
func (e *embedded) stop() {
	e.end()
	<-e.ended
	e.shutdown()
}

func (e *embedded) shutdown() {
	e.current.Shutdown()
	e.current.WaitForShutdown()
}

// watch starts the server anew when it stays unwell and the disk has room.
func (e *embedded) watch(ctx context.Context) {
	defer close(e.ended)
	for bad := 0; ctx.Err() == nil; pause(ctx, lookAtHealth) {
		if e.well() {
			bad = 0
			continue
		}
		if bad++; bad < unwell || e.probe() != nil {
			continue
		}
		e.mu.Lock()
		e.shutdown()
		_ = e.start() // what did not start is unwell, and started again
		e.mu.Unlock()
		bad = 0
	}
}

// well says whether the server and all its streams take facts.
func (e *embedded) well() bool {
	return e.current.Healthz(&server.HealthzOptions{}).StatusCode == http.StatusOK
}

// probe says whether the disk takes some bytes.
func (e *embedded) probe() error {
	path := filepath.Join(e.cfg.Dir, "probe")
	f, err := os.OpenFile(path, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(make([]byte, probeBytes))
	return errors.Join(err, f.Sync(), f.Close(), os.Remove(path))
}

// beginFile, in an embedded stream's folder, is the sequence that its first fact gets.
const beginFile = "first-sequence"

// BeginAt lets the embedded stream that is yet to be made in a folder give its first fact this sequence: one that no stream before it reached,
// so that whoever comes with a cursor of that one is refused instead of skipping facts.
func BeginAt(dir string, first uint64) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, beginFile), []byte(strconv.FormatUint(first, 10)), 0o600)
}

// beginning is what BeginAt said, 0 without.
func beginning(dir string) (uint64, error) {
	text, err := os.ReadFile(filepath.Join(dir, beginFile))
	if errors.Is(err, os.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	return strconv.ParseUint(string(text), 10, 64)
}
