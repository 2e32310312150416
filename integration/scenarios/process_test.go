package scenarios

import (
	"bufio"
	"context"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/suite/story"
)

// buildProgram compiles the program once for all tests of this package.
var buildProgram = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "coldsection-program-")
	if err != nil {
		return "", err
	}
	program := filepath.Join(dir, "coldsection")
	text, err := exec.Command("go", "build", "-o", program, "coldsection.example/services/cmd/coldsection").CombinedOutput()
	if err != nil {
		return "", &exec.Error{Name: string(text), Err: err}
	}
	return program, nil
})

func TestMain(m *testing.M) {
	code := m.Run()
	if program, err := buildProgram(); err == nil {
		_ = os.RemoveAll(filepath.Dir(program))
	}
	os.Exit(code)
}

// process is the program as somebody would run it.
type process struct {
	t    *testing.T
	args []string
	cmd  *exec.Cmd

	token string // the first administrator's one-time token, if it was printed
}

// startProcess runs the program and waits until it says that it is ready.
func startProcess(t *testing.T, args ...string) *process {
	t.Helper()
	p := &process{t: t, args: args}
	p.start()
	t.Cleanup(p.kill)
	return p
}

func (p *process) start() {
	p.t.Helper()
	program, err := buildProgram()
	if err != nil {
		p.t.Fatal(err)
	}
	p.cmd = exec.Command(program, p.args...)
	p.cmd.Stderr = logWriter{p.t}
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		p.t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
	ready := make(chan string, 1)
	go listen(out, ready)
	select {
	case token := <-ready:
		if token != "" {
			p.token = token
		}
	case <-clock.System().After(30 * time.Second):
		p.t.Fatal("the program does not get ready")
	}
}

// listen reads what the program prints; when it is ready, it passes on the one-time token that came before.
func listen(out io.Reader, ready chan<- string) {
	token := ""
	for lines := bufio.NewScanner(out); lines.Scan(); {
		if _, printed, ok := strings.Cut(lines.Text(), "with this token: "); ok {
			token = printed
		}
		if strings.HasPrefix(lines.Text(), "Ready") {
			ready <- token
		}
	}
}

// kill ends the program at once, as a power cut would.
func (p *process) kill() {
	_ = p.cmd.Process.Kill()
	_ = p.cmd.Wait()
}

// The single process is killed at twenty random moments of the story, mostly in the middle of a call, and started again
// each time: nothing is lost and nothing is done twice, so the story ends in the same facts.
func TestStoryGoesOnAfterKills(t *testing.T) {
	whole := newStage(t).play(nil)
	dir := t.TempDir()
	clockFile, address := filepath.Join(dir, "clock"), freeAddress(t)
	p := startProcess(t, "serve", "--state", dir, "--http", freeAddress(t), "--grpc", address, "--clock-file", clockFile)
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(20<<20), grpc.MaxCallSendMsgSize(20<<20)))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	const kills = 20
	places := map[int]bool{}
	for len(places) < kills {
		places[1+rand.IntN(whole.Calls-1)] = true
	}
	t.Logf("kills after calls %v of %d", places, whole.Calls)
	var killing sync.WaitGroup
	out, err := story.New(story.Options{
		Conn: conn, FirstAdminToken: p.token, Patience: time.Minute,
		SetClock: func(t time.Time) error { return clock.SetFile(clockFile, t) },
		After: func(calls int) {
			if !places[calls] {
				return
			}
			delete(places, calls)
			killing.Wait()
			killing.Go(func() {
				<-clock.System().After(time.Duration(rand.IntN(15)) * time.Millisecond)
				p.kill()
				p.start()
			})
		},
	}, teller{t}).Run(context.WithoutCancel(t.Context()))
	killing.Wait()
	if err != nil {
		t.Fatal(err)
	}
	if len(places) > 0 {
		t.Errorf("%d kills did not happen", len(places))
	}
	if out.FeedEvents != whole.FeedEvents || out.DueAfter != whole.DueAfter || out.Recovery != whole.Recovery {
		t.Errorf("with kills %+v, without %+v", out, whole)
	}
}
