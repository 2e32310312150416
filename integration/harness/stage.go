package harness

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/resolver"
	"google.golang.org/grpc/resolver/manual"

	"coldsection.example/services/platform/clock"
	"coldsection.example/services/platform/peers"
	"coldsection.example/services/platform/peers/peerstest"
	"coldsection.example/services/suite"
)

// largest is the largest message of the story: a table of readings.
const largest = 20 << 20

// Stage is a running suite, seen from outside.
type Stage struct {
	HTTP, GRPC []string // the gateways' addresses
	Processes  []*Process
	State      string // the folder of a single process's data; empty for several
	// Heard is told of every exchange over REST of those who sign in or stay strangers; nil for nobody.
	Heard func(Exchange)

	clockFile string
}

// Mode is a way to run the suite.
type Mode struct {
	Name string
	Open func(t testing.TB) *Stage
}

// Modes are all ways to run the suite that must tell the same story.
var Modes = []Mode{
	{"one process, SQLite", OneProcess},
	{"one process, PostgreSQL", OneProcessPostgres},
	{"two of each part, PostgreSQL, three event servers", Distributed},
}

// OneProcess runs everything in one process, as the first command of the README does.
func OneProcess(t testing.TB) *Stage { return oneProcess(t) }

// OneProcessPostgres keeps its data in PostgreSQL.
func OneProcessPostgres(t testing.TB) *Stage { return oneProcess(t, "--postgres", Postgres(t)) }

// OneProcessWith runs everything in one process with further arguments.
func OneProcessWith(t testing.TB, more ...string) *Stage { return oneProcess(t, more...) }

// OneProcessFrom runs everything in one process on a copy of the state that another one left.
func OneProcessFrom(t testing.TB, state string) *Stage {
	t.Helper()
	dir := t.TempDir()
	Copy(t, state, dir)
	return oneProcessIn(t, dir)
}

// Copy copies what is in a folder into another, as it is.
func Copy(t testing.TB, from, to string) {
	t.Helper()
	if text, err := exec.CommandContext(t.Context(), "cp", "-a", from+"/.", to).CombinedOutput(); err != nil {
		t.Fatalf("copying %s: %v\n%s", from, err, text)
	}
}

func oneProcess(t testing.TB, more ...string) *Stage { return oneProcessIn(t, t.TempDir(), more...) }

func oneProcessIn(t testing.TB, dir string, more ...string) *Stage {
	s := &Stage{HTTP: Addresses(t, 1), GRPC: Addresses(t, 1), State: dir, clockFile: filepath.Join(dir, "clock")}
	args := []string{"serve", "--state", dir, "--http", s.HTTP[0], "--grpc", s.GRPC[0], "--clock-file", s.clockFile, "--reflection"}
	s.Processes = append(s.Processes, Start(t, append(args, more...)...))
	return s
}

// Distributed runs two processes of every part against PostgreSQL and a cluster of event servers; they call each other over TLS
// with certificates on both sides.
func Distributed(t testing.TB) *Stage {
	t.Helper()
	const instances = 2
	shared := t.TempDir()
	s := &Stage{HTTP: Addresses(t, instances), GRPC: Addresses(t, instances), clockFile: filepath.Join(shared, "clock")}
	secret := filepath.Join(shared, "secret")
	if err := os.WriteFile(secret, []byte(strings.Repeat("5ec7e7", 12)+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	urls, keys := StreamCluster(t)
	common := []string{"--postgres", Postgres(t), "--nats", urls, "--event-keys", keys, "--secret", secret, "--clock-file", s.clockFile}
	// The stage's clock goes where a test wants; certificates that end are tried where they are made.
	authority := peerstest.Between(t, time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC))
	addresses := map[string][]string{}
	for _, part := range suite.Parts {
		if part != suite.Gateway {
			addresses[part] = Addresses(t, instances)
			common = append(common, "--address", part+"="+strings.Join(addresses[part], ","))
		}
	}
	for _, part := range suite.Parts {
		for i := range instances {
			args := append([]string{"serve", part, "--state", t.TempDir()}, common...)
			mine := authority.Files(peers.Name("coldsection", part))
			args = append(args, "--peer-ca", mine.CA, "--peer-cert", mine.Cert, "--peer-key", mine.Key)
			if part == suite.Gateway {
				args = append(args, "--http", s.HTTP[i], "--grpc", s.GRPC[i], "--reflection")
			} else {
				args = append(args, "--listen", part+"="+addresses[part][i])
			}
			s.Processes = append(s.Processes, Start(t, args...))
		}
	}
	return s
}

// Conn reaches the gateways by turns.
func (s *Stage) Conn(t testing.TB) *grpc.ClientConn {
	t.Helper()
	r := manual.NewBuilderWithScheme("stage")
	state := resolver.State{}
	for _, a := range s.GRPC {
		state.Addresses = append(state.Addresses, resolver.Address{Addr: a})
	}
	r.InitialState(state)
	conn, err := grpc.NewClient("stage:///gateways", grpc.WithResolvers(r), grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultServiceConfig(`{"loadBalancingConfig":[{"round_robin":{}}]}`),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(largest), grpc.MaxCallSendMsgSize(largest)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// Token is the one-time token of the first administrator: the newest, because each replaces the one before.
func (s *Stage) Token() string {
	for _, p := range slices.Backward(s.Processes) {
		if token := p.Token(); token != "" {
			return token
		}
	}
	return ""
}

// Clock is the file that the clock of every process follows.
func (s *Stage) Clock() string { return s.clockFile }

// SetClock moves the clock of every process.
func (s *Stage) SetClock(to time.Time) error { return clock.SetFile(s.clockFile, to) }

// URL is the address of a path on the first gateway.
func (s *Stage) URL(path string) string { return fmt.Sprintf("http://%s%s", s.HTTP[0], path) }
