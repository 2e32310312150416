package suite

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strconv"
	"strings"

	"github.com/alecthomas/kong"
	"github.com/modelcontextprotocol/go-sdk/mcp"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"

	"coldsection.example/gateway"
)

// keyVariable holds the API key where no file is named. It is no flag, as others on the machine see the line.
const keyVariable = "COLDSECTION_REMOTE_KEY"

// remote says which running suite a command calls, and as whom. A key never stands on the command line, where others see it.
type remote struct {
	Server  string `default:"127.0.0.1:8081" env:"COLDSECTION_REMOTE_SERVER" help:"Where the suite serves gRPC."`
	KeyFile string `env:"COLDSECTION_REMOTE_KEY_FILE" placeholder:"FILE" help:"The file with the API key; otherwise the variable COLDSECTION_REMOTE_KEY holds it."`
	TLS     bool   `name:"tls" env:"COLDSECTION_REMOTE_TLS" help:"Call with TLS; needed beyond this machine."`
	CA      string `name:"ca" env:"COLDSECTION_REMOTE_CA" placeholder:"FILE" help:"Certificates that sign the server's, with --tls; otherwise the machine's."`
}

// AfterApply warns of a key that others on this machine may read. It is used all the same: secrets that a container is given are often such files.
func (r *remote) AfterApply(app *kong.Kong) error {
	if r.KeyFile == "" {
		return nil
	}
	info, err := os.Stat(r.KeyFile)
	if err != nil || !info.Mode().IsRegular() || info.Mode().Perm()&0o004 == 0 {
		return nil //nolint:nilerr // what can't be looked at can't be read either, which the call says
	}
	_, err = fmt.Fprintf(app.Stderr, "coldsection: warning: everybody on this machine may read the API key in %s; take that away with chmod 600 %s\n", r.KeyFile, r.KeyFile)
	return err
}

// bearer sends the key with every call.
type bearer struct {
	key    string
	secure bool
}

// GetRequestMetadata is the header of a call.
func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + b.key}, nil
}

// RequireTransportSecurity says whether the key may go over TLS only.
func (b bearer) RequireTransportSecurity() bool { return b.secure }

// key reads the API key.
func (r *remote) key() (string, error) {
	key := os.Getenv(keyVariable)
	if r.KeyFile != "" {
		text, err := os.ReadFile(r.KeyFile)
		if err != nil {
			return "", fmt.Errorf("the API key: %w", err)
		}
		key = string(text)
	}
	if key = strings.TrimSpace(key); key == "" {
		return "", errors.New("there is no API key; name its file with --key-file, or put it into the variable COLDSECTION_REMOTE_KEY")
	}
	return key, nil
}

// dial reaches the suite; without TLS only on this machine, since the key would be there for others to read.
func (r *remote) dial(key string) (*grpc.ClientConn, error) {
	const largest = 20 << 20
	transport, err := r.transport()
	if err != nil {
		return nil, err
	}
	options := []grpc.DialOption{
		grpc.WithTransportCredentials(transport), grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(largest), grpc.MaxCallSendMsgSize(largest)),
	}
	if key != "" {
		options = append(options, grpc.WithPerRPCCredentials(bearer{key: key, secure: r.TLS}))
	}
	return grpc.NewClient(r.Server, options...)
}

func (r *remote) transport() (credentials.TransportCredentials, error) {
	host, port, err := net.SplitHostPort(r.Server)
	if _, bad := strconv.ParseUint(port, 10, 16); err != nil || bad != nil || strings.Contains(host, "/") {
		return nil, fmt.Errorf("%q is no host:port; give the address at which the gateway serves gRPC, such as 127.0.0.1:8081", r.Server)
	}
	if !r.TLS {
		if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
			return nil, fmt.Errorf("%s is not on this machine; add --tls, so that nobody on the way reads the key", r.Server)
		}
		return insecure.NewCredentials(), nil
	}
	cfg := &tls.Config{MinVersion: tls.VersionTLS12}
	if r.CA != "" {
		text, err := os.ReadFile(r.CA)
		if err != nil {
			return nil, fmt.Errorf("the certificates of --ca: %w", err)
		}
		if cfg.RootCAs = x509.NewCertPool(); !cfg.RootCAs.AppendCertsFromPEM(text) {
			return nil, fmt.Errorf("%s has no certificate in PEM", r.CA)
		}
	}
	return credentials.NewTLS(cfg), nil
}

// mcpCommand serves the agent's tools to the program that started it.
type mcpCommand struct{ remote }

func (c *mcpCommand) run(ctx context.Context, in io.ReadCloser, out io.WriteCloser) error {
	key, err := c.key()
	if err != nil {
		return err
	}
	conn, err := c.dial(key)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close() }()
	return gateway.ServeAgent(ctx, conn, &mcp.IOTransport{Reader: in, Writer: out})
}
