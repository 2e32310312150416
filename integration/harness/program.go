package harness

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"coldsection.example/services/platform/clock"
)

// readyLimit is how long a program may take until it says that it is ready.
const readyLimit = 60 * time.Second

// built is the folder of the compiled program, if a test needed it; shared are further folders that go when all tests of a package ended.
var (
	built  string
	shared []string
)

// Shared is a new folder for what tests of a package have in common; it goes when all of them ended.
func Shared(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "coldsection-shared-") //nolint:usetesting // it outlives the test that asked first
	if err != nil {
		t.Fatal(err)
	}
	shared = append(shared, dir)
	return dir
}

// build compiles the program once for all tests of a package, armed for points at which it kills itself: only a process that is told one does.
var build = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "coldsection-program-")
	if err != nil {
		return "", err
	}
	built = dir
	program := filepath.Join(dir, "coldsection")
	text, err := exec.Command("go", "build", "-ldflags", "-X coldsection.example/services/platform/killpoint.armed=yes", "-o", program,
		"coldsection.example/services/cmd/coldsection").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("compiling the program: %w\n%s", err, text)
	}
	return program, nil
})

// Main runs the tests of a package and removes what they compiled; call it from TestMain.
func Main(m *testing.M) {
	m.Run() // its result becomes the exit code when TestMain returns
	if built != "" {
		_ = os.RemoveAll(built)
	}
	for _, dir := range shared {
		_ = os.RemoveAll(dir)
	}
}

// Program compiles coldsection and returns its path.
func Program(t testing.TB) string {
	t.Helper()
	program, err := build()
	if err != nil {
		t.Fatal(err)
	}
	return program
}

// Process is the program as somebody would run it.
type Process struct {
	t    testing.TB
	args []string
	env  []string // beside the test's own
	cmd  *exec.Cmd

	mu     sync.Mutex
	token  string
	logged strings.Builder
}

// Start runs the program, waits until it says that it is ready, and kills it at the end of the test.
func Start(t testing.TB, args ...string) *Process {
	t.Helper()
	p := &Process{t: t, args: args}
	p.Again()
	t.Cleanup(p.Kill)
	return p
}

// Again runs the program with the same arguments once more.
func (p *Process) Again() {
	p.t.Helper()
	ready := p.launch()
	select {
	case ok := <-ready:
		if !ok {
			p.t.Fatalf("the program ended before it was ready: %v", p.args)
		}
	case <-clock.System().After(readyLimit):
		p.t.Fatalf("the program does not get ready: %v", p.args)
	}
}

// launch starts the program; the channel says whether it got ready before its output ended.
func (p *Process) launch() <-chan bool {
	p.t.Helper()
	p.cmd = exec.Command(Program(p.t), p.args...)
	p.cmd.Env = append(os.Environ(), p.env...)
	p.cmd.Stderr = p
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		p.t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
	ready := make(chan bool, 1)
	go p.listen(out, ready)
	return ready
}

// listen reads what the program prints: the one-time token of the first administrator, and that it is ready.
func (p *Process) listen(out io.Reader, ready chan<- bool) {
	for lines := bufio.NewScanner(out); lines.Scan(); {
		if _, printed, ok := strings.Cut(lines.Text(), "/#/invitation/"); ok {
			p.mu.Lock()
			p.token = printed
			p.mu.Unlock()
		}
		if strings.HasPrefix(lines.Text(), "Ready") {
			ready <- true
		}
	}
	ready <- false
}

// Token is the one-time token of the first administrator, if the program printed one.
func (p *Process) Token() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.token
}

// PID is the process id.
func (p *Process) PID() int { return p.cmd.Process.Pid }

// Write takes what the program logs: it is shown with the test's own output, and can be asked for.
func (p *Process) Write(lines []byte) (int, error) {
	p.mu.Lock()
	p.logged.Write(lines)
	p.mu.Unlock()
	return LogWriter{p.t}.Write(lines)
}

// Logged counts how often the program logged these words.
func (p *Process) Logged(words string) int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return strings.Count(p.logged.String(), words)
}

// Reload asks the program to read certificates and secrets anew, and waits until it says that it did.
func (p *Process) Reload() {
	p.t.Helper()
	const done = "were read anew"
	before, limit := p.Logged(done), clock.System().After(readyLimit)
	if err := p.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		p.t.Fatal(err)
	}
	for p.Logged(done) == before {
		select {
		case <-limit:
			p.t.Fatal("the program does not read its files anew")
		case <-clock.System().After(10 * time.Millisecond):
		}
	}
}

// Kill ends the program at once, as a power cut would.
func (p *Process) Kill() {
	_ = p.cmd.Process.Kill()
	_ = p.cmd.Wait()
}

// Terminate asks the program to end and waits for it; the error says that it ended badly.
func (p *Process) Terminate() error {
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	return p.cmd.Wait()
}

// LogWriter shows what programs log with the test's own output.
type LogWriter struct{ T testing.TB }

// Write logs one or more lines.
func (w LogWriter) Write(lines []byte) (int, error) {
	w.T.Log(strings.TrimSpace(string(lines)))
	return len(lines), nil
}
