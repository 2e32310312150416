package suite

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"path/filepath"
	"reflect"
	"runtime/debug"
	"strings"
	"syscall"
	"time"

	"github.com/alecthomas/kong"

	"coldsection.example/services/platform/config"
	"coldsection.example/services/platform/telemetry"
	"coldsection.example/services/suite/verbs"
)

// cli is the command line.
type cli struct {
	asking
	managing

	Serve        serveCommand        `cmd:"" help:"Run the suite, or some of its parts."`
	Config       configCommand       `cmd:"" help:"Show the settings in force and where each comes from, or a reference of all."`
	Demo         demoCommand         `cmd:"" help:"Run the suite in a scratch folder and live through the main job with invented data."`
	MCP          mcpCommand          `cmd:"" name:"mcp" help:"Serve a running suite's read and draft tools to an AI agent, over standard input and output."`
	EventServer  eventServerCommand  `cmd:"" help:"Run one event server of a cluster; several processes of the suite need three."`
	EventKeys    eventKeysCommand    `cmd:"" help:"Make the keys by which event servers know each part, in a new folder."`
	Backup       backupCommand       `cmd:"" help:"Copy the data of a suite that may go on working into a new folder, and check the copy."`
	Restore      restoreCommand      `cmd:"" help:"Make a new state folder of a backup, or put one part back into the one that is there, and check it."`
	Rejoin       rejoinCommand       `cmd:"" help:"Bring a part whose database was put back by itself back among the others, and name what it knows no more, with all processes stopped."`
	VerifyBackup verifyBackupCommand `cmd:"" name:"verify-backup" help:"Check a backup without restoring it."`
	Rebuild      rebuildCommand      `cmd:"" help:"Fill what parts keep of each other's facts anew from the facts, and say whether it is as it was. The process of the parts must be stopped."`
	Pack         packCommand         `cmd:"" help:"Make and check record packs."`
	Version      telling             `cmd:"" help:"Say which version this is."`
}

// settings are read from flags, the environment and a file, in this order.
type settings struct {
	Config kong.ConfigFlag `env:"COLDSECTION_CONFIG" placeholder:"FILE" help:"A file with settings, as deploy/reference.yaml shows them."`

	State      string   `default:"${state}" env:"COLDSECTION_STATE" help:"The state folder."`
	HTTP       string   `default:"127.0.0.1:8080" env:"COLDSECTION_HTTP" help:"Where the gateway serves HTTP."`
	GRPC       string   `default:"127.0.0.1:8081" env:"COLDSECTION_GRPC" help:"Where the gateway serves gRPC."`
	Postgres   string   `env:"COLDSECTION_POSTGRES" help:"PostgreSQL connection string; every part has a database of this name followed by _part. Empty keeps SQLite files in the state folder."`
	NATS       string   `name:"nats" env:"COLDSECTION_NATS" help:"Addresses of external event servers. Empty runs one inside."`
	EventKeys  string   `env:"COLDSECTION_EVENT_KEYS" help:"The folder with the keys, made by event-keys, by which the event servers know the parts of this process and what each may do. Empty shows none."`
	Replicas   int      `default:"3" env:"COLDSECTION_REPLICAS" help:"Copies of the event stream on external servers."`
	Address    []string `sep:"none" env:"COLDSECTION_ADDRESS" help:"part=host:port of parts in other processes; several instances with commas between."`
	Listen     []string `sep:"none" env:"COLDSECTION_LISTEN" help:"part=host:port where this process serves its parts to others."`
	Secret     string   `env:"COLDSECTION_SECRET" help:"The file with the secret that all processes share. Empty makes one in the state folder."`
	ClockFile  string   `env:"COLDSECTION_CLOCK_FILE" help:"A clock for demonstrations and tests. Empty is the machine's clock."`
	Admin      string   `env:"COLDSECTION_ADMIN" help:"Where metrics and health are served, such as 127.0.0.1:9090; keep it off public networks. Empty means nowhere."`
	OTLP       string   `name:"otlp" env:"COLDSECTION_OTLP" help:"URL of an OTLP receiver for traces and metrics, such as http://127.0.0.1:4317. Empty sends nothing."`
	Reflection bool     `env:"COLDSECTION_REFLECTION" help:"Let gRPC clients ask for the contract."`

	CallsPerSecond     int      `default:"1000" env:"COLDSECTION_CALLS_PER_SECOND" help:"How many calls one account may make in a second, and five times as many at once; more are refused until there is room. A page of a list and a stream are one call. 0 is no limit."`
	StrangersPerSecond int      `default:"50" env:"COLDSECTION_STRANGERS_PER_SECOND" help:"The same for one address whose caller is not signed in."`
	CallsAtOnce        int      `default:"500" env:"COLDSECTION_CALLS_AT_ONCE" help:"How many calls of one address may be worked on at once; long polls and streams count. More are refused until one has ended. 0 is no limit."`
	Connections        int      `default:"500" env:"COLDSECTION_CONNECTIONS" help:"How many connections one address may have to the gateway's HTTP and as many to its gRPC; further ones are closed. Trusted proxies may have any number. 0 is no limit."`
	TrustedProxies     []string `env:"COLDSECTION_TRUSTED_PROXIES" help:"Networks and addresses of proxies before the gateway, such as 10.0.0.5, that are believed in X-Forwarded-For about whom they call for."`

	WebhookAllow []string `env:"COLDSECTION_WEBHOOK_ALLOW" help:"Private networks, such as 10.2.0.0/16, that webhooks may be sent to, also over http. All else must be public and https."`

	TLSCert        string `name:"tls-cert" env:"COLDSECTION_TLS_CERT" help:"The file with the certificate that the gateway shows, PEM, followed by those between it and its authority. Files are read again when they change and at SIGHUP. Empty serves without TLS, on loopback only."`
	TLSKey         string `name:"tls-key" env:"COLDSECTION_TLS_KEY" help:"The file with the key of that certificate, PEM."`
	ListenInsecure bool   `env:"COLDSECTION_LISTEN_INSECURE" help:"Serve without TLS on addresses that other machines reach, because something before them ends TLS."`
	PeerCA         string `name:"peer-ca" env:"COLDSECTION_PEER_CA" help:"The file with the authorities of the certificates of the suite's processes, PEM. With peer-cert and peer-key, processes call each other over TLS and believe only each other."`
	PeerCert       string `name:"peer-cert" env:"COLDSECTION_PEER_CERT" help:"The file with this process's certificate, PEM. It needs a URI name such as spiffe://coldsection/consumables for each part that the process runs, for clients and servers. It is shown to event servers of a tls:// address too."`
	PeerKey        string `name:"peer-key" env:"COLDSECTION_PEER_KEY" help:"The file with the key of that certificate, PEM."`
	TrustDomain    string `default:"coldsection" env:"COLDSECTION_TRUST_DOMAIN" help:"What stands before the part in the names of the processes."`

	SecondFactorRoles []string `env:"COLDSECTION_SECOND_FACTOR_ROLES" help:"Roles, such as admin, inspector and releaser, whose holders may do nothing by password alone until they have a second factor."`

	SessionIdle time.Duration `default:"2h" env:"COLDSECTION_SESSION_IDLE" help:"How long the session of a person lives that nobody uses, such as 30m; a tenth more may pass. Two hours outlast a soak, a cool-down or a break. 0 is the 12 h that each session may last."`

	PublicURL            string   `name:"public-url" env:"COLDSECTION_PUBLIC_URL" help:"The URL at which browsers reach the gateway, such as https://maintenance.example. Needed to sign in by a provider."`
	OIDCIssuer           string   `name:"oidc-issuer" env:"COLDSECTION_OIDC_ISSUER" help:"The OpenID Connect provider whose users may sign in, as its discovery document names it. Empty means passwords only."`
	OIDCName             string   `name:"oidc-name" env:"COLDSECTION_OIDC_NAME" help:"What people call the provider."`
	OIDCClientID         string   `name:"oidc-client-id" env:"COLDSECTION_OIDC_CLIENT_ID" help:"The client id that the provider knows this gateway by. Its redirect address is the public URL followed by /oidc/callback."`
	OIDCClientSecretFile string   `name:"oidc-client-secret-file" env:"COLDSECTION_OIDC_CLIENT_SECRET_FILE" help:"The file with the client secret. Empty means that the provider asks for none."`
	OIDCGroupsClaim      string   `name:"oidc-groups-claim" default:"groups" env:"COLDSECTION_OIDC_GROUPS_CLAIM" help:"The claim of the ID token or the user info that lists the groups of a user."`
	OIDCRoles            []string `name:"oidc-roles" sep:"none" env:"COLDSECTION_OIDC_ROLES" help:"group=role: what members of a group of the provider may do, set anew at every sign-in; accounts are made for them. Empty lets in only those to whom an administrator linked an account."`
	OIDCOwners           []string `name:"oidc-owners" sep:"none" env:"COLDSECTION_OIDC_OWNERS" help:"group=owner: members of this group see only what belongs to this owner."`
}

type serveCommand struct {
	settings

	Sandbox bool `help:"Serve the demonstration's invented data from a scratch folder that is removed at the end; the settings are its own."`

	Parts []string `arg:"" optional:"" help:"The parts to run: compliance, consumables, performance, workorders, gateway. None means all."`
}

type configCommand struct {
	settings
	telling

	What      string `arg:"" optional:"" default:"show" enum:"show,check" help:"show, or check whether serve would take them."`
	Reference bool   `help:"Write every setting with its meaning and default instead."`
}

func (c *serveCommand) config() Config {
	return Config{
		Parts: c.Parts, StateDir: c.State, HTTP: c.HTTP, GRPC: c.GRPC, Postgres: c.Postgres, NATS: c.NATS, Replicas: c.Replicas, EventKeys: c.EventKeys,
		Addresses: c.Address, Listen: c.Listen, SecretFile: c.Secret, ClockFile: c.ClockFile, Admin: c.Admin, OTLP: c.OTLP, Reflection: c.Reflection,
		CallsPerSecond: c.CallsPerSecond, StrangersPerSecond: c.StrangersPerSecond, CallsAtOnce: c.CallsAtOnce, Connections: c.Connections,
		TrustedProxies: c.TrustedProxies, WebhookAllow: c.WebhookAllow,
		TLSCert: c.TLSCert, TLSKey: c.TLSKey, ListenInsecure: c.ListenInsecure, PeerCA: c.PeerCA, PeerCert: c.PeerCert, PeerKey: c.PeerKey,
		TrustDomain: c.TrustDomain, SecondFactorRoles: c.SecondFactorRoles, SessionIdle: c.SessionIdle,
		PublicURL: c.PublicURL, OIDCIssuer: c.OIDCIssuer, OIDCName: c.OIDCName, OIDCClientID: c.OIDCClientID, OIDCClientSecret: c.OIDCClientSecretFile,
		OIDCGroupsClaim: c.OIDCGroupsClaim, OIDCRoles: c.OIDCRoles, OIDCOwners: c.OIDCOwners,
	}
}

// Exit codes.
const (
	failed         = 1
	wrongLine      = 2 // a wrong command or setting
	somethingFound = 3 // a check did its work and found something
)

// Main runs a command line and returns the exit code: 0 for success, 1 for a failure, 2 for a wrong command or setting, 3 when a check found something.
func Main(args []string, stdout, stderr io.Writer) int {
	ctx, cancel := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer cancel()
	var c cli
	ended := -1 // the code with which the parser ends the line by itself, after a help text
	parser, err := parserOf(&c, stdout, stderr, func(code int) { ended = code })
	if err != nil {
		return complain(stderr, failed, err)
	}
	command, err := parser.Parse(args)
	if ended >= 0 {
		return ended
	}
	if err == nil {
		err = config.CheckEnvironment(parser.Model, []string{"serve", "engines"}, "COLDSECTION_", os.Environ(), "COLDSECTION_TEST_", keyVariable)
	}
	if err != nil {
		return complain(stderr, wrongLine, err)
	}
	err = c.run(ctx, command, stdout, stderr)
	if _, something := errors.AsType[found](err); something {
		return complain(stderr, somethingFound, err)
	}
	if err != nil {
		return complain(stderr, failed, err)
	}
	return 0
}

func parserOf(c *cli, stdout, stderr io.Writer, exit func(code int)) (*kong.Kong, error) {
	return kong.New(c, kong.Name("coldsection"), kong.Writers(stdout, stderr), kong.Exit(exit), kong.Configuration(config.File("serve")),
		kong.Vars{"state": defaultState(), "parts": strings.Join(Parts, ",")},
		kong.Description("Keeps small turboprop and turboshaft engines clean, in condition and in compliance. "+
			"A line ends with 0 when all went well, 1 when it failed, 2 when it was wrong, and 3 when a check found something."))
}

func (c *cli) run(ctx context.Context, command *kong.Context, stdout, stderr io.Writer) error {
	if known, err := c.asking.run(ctx, command.Command(), os.Stdin, stdout, stderr); known {
		return err
	}
	if own, ok := reflect.TypeAssert[interface{ Run(e *environment) error }](command.Selected().Target.Addr()); ok {
		return own.Run(&environment{ctx: ctx, in: os.Stdin, out: stdout, problems: stderr})
	}
	switch command.Command() {
	case "version":
		return c.Version.tell(stdout, []string{version()}, []string{"version"}, []string{version()})
	case "config", "config <what>":
		return c.Config.run(stdout, command)
	case "demo":
		return c.Demo.run(ctx, stdout, stderr)
	case "mcp":
		return c.MCP.run(ctx, os.Stdin, os.Stdout)
	case "pack make <subject>":
		return c.Pack.Make.run(ctx, stdout)
	case "pack verify <file>":
		return c.Pack.Verify.run(stdout)
	case "verify-backup <from>":
		return c.VerifyBackup.run(ctx, stdout)
	case "backup <into>":
		return c.Backup.run(ctx, stdout)
	case "rebuild", "rebuild <parts>":
		return c.Rebuild.run(ctx, stdout, stderr)
	case "rejoin":
		return c.Rejoin.run(ctx, stdout, stderr)
	case "restore <from>":
		return c.Restore.run(ctx, stdout)
	case "event-keys <into>":
		return c.EventKeys.run(stdout)
	case "event-server":
		return c.EventServer.run(ctx, stdout, stderr)
	default:
		return c.Serve.run(ctx, stdout, stderr)
	}
}

// run shows the settings, or checks them, or writes the reference of all, which is a file of settings and nothing else.
func (c *configCommand) run(stdout io.Writer, command *kong.Context) error {
	if c.What == "check" {
		return c.check(stdout)
	}
	if c.Reference {
		if c.Output != "table" {
			return fmt.Errorf("the reference is a file of settings, in YAML; leave --output %s out", c.Output)
		}
		return config.Reference(stdout, command.Model, "serve", map[string]string{"state": "~/.local/state/coldsection"})
	}
	table, err := verbs.NewTable(c.Output, stdout, "setting", "origin", "value")
	if err != nil {
		return err
	}
	if err := config.Show(command, "config", func(name, origin, value string) error { return table.Write(name, origin, value) }); err != nil {
		return err
	}
	return table.Close()
}

// check says whether the settings can work.
func (c *configCommand) check(stdout io.Writer) error {
	serve := serveCommand{settings: c.settings}
	cfg := serve.config()
	if err := cfg.Validate(); err != nil {
		return found{err}
	}
	return c.tell(stdout, []string{"The settings can work."}, []string{"state"}, []string{"OK"})
}

// complain says a problem. Some of its words may be those of a server or of a file, and move no cursor of a terminal.
func complain(w io.Writer, code int, err error) int {
	lines := strings.Split(err.Error(), "\n")
	for i := range lines {
		lines[i] = verbs.Printable(lines[i])
	}
	_, _ = fmt.Fprintln(w, "coldsection:", strings.Join(lines, "\n"))
	return code
}

func (c *serveCommand) run(ctx context.Context, stdout, stderr io.Writer) error {
	if c.Sandbox {
		demo := demoCommand{HTTP: c.HTTP, GRPC: c.GRPC}
		return demo.run(ctx, stdout, stderr)
	}
	s, err := Start(ctx, c.config(), slog.New(telemetry.Log{Handler: slog.NewJSONHandler(stderr, nil)}))
	if err != nil {
		return err
	}
	defer s.Stop()
	if err := announce(stdout, s); err != nil {
		return err
	}
	stop := s.reloadAtSignal()
	defer stop()
	return s.Wait(ctx)
}

// reloadAtSignal reads certificates and the internal secret anew at each SIGHUP.
func (s *Suite) reloadAtSignal() (stop func()) {
	signals := make(chan os.Signal, 1)
	signal.Notify(signals, syscall.SIGHUP)
	s.life.Go("reload", func(ctx context.Context) error {
		for {
			select {
			case <-ctx.Done():
				return nil
			case <-signals:
			}
			if err := s.Reload(ctx); err != nil {
				s.log.ErrorContext(ctx, "what could not be read anew stays as it was", "error", err)
			} else {
				s.log.InfoContext(ctx, "certificates and the internal secret were read anew")
			}
		}
	})
	return func() { signal.Stop(signals) }
}

// announce says where the suite is and how the first administrator comes in.
func announce(w io.Writer, s *Suite) error {
	text := "Ready."
	if s.HTTPAddress() != "" {
		text = fmt.Sprintf("Ready: %s for people and REST, %s for gRPC.", s.url(), s.GRPCAddress())
	}
	if token := s.FirstAdminToken(); token != "" {
		text = fmt.Sprintf("The first administrator chooses a password, once, at %s/#/invitation/%s\n%s", s.url(), token, text)
	}
	_, err := fmt.Fprintln(w, text)
	return err
}

// defaultState is the user's own state folder, as the XDG base directories are.
func defaultState() string {
	if dir := os.Getenv("XDG_STATE_HOME"); dir != "" {
		return filepath.Join(dir, "coldsection")
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "coldsection-state"
	}
	return filepath.Join(home, ".local", "state", "coldsection")
}

func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" {
		return "coldsection (development)"
	}
	return "coldsection " + info.Main.Version
}

// errInterrupted is a demonstration that was ended early.
var errInterrupted = errors.New("interrupted")
