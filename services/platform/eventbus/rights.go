package eventbus

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"
)

// Rights are what a part may do at event servers: publish its own facts, work its own consumer and, for the one that serves the feed, read all
// facts. It may make the stream when there is none; it may never change, empty or delete it, nor touch another's consumer.
type Rights struct {
	Part      string   // whose, and the name of its consumer
	Publishes []string // types or prefixes of the facts that it tells
	ReadsAll  bool     // whether it reads the feed
}

// api is where a part speaks to the stream, and acks is where it acknowledges.
const (
	api  = "$JS.API."
	acks = "$JS.ACK." + StreamName + "."
)

// ofConsumer are the subjects on which a consumer is made, asked, read and deleted.
func ofConsumer(name string) []string {
	var all []string
	for _, verb := range []string{"CREATE", "INFO", "DELETE", "MSG.NEXT"} {
		all = append(all, api+"CONSUMER."+verb+"."+StreamName+"."+name)
	}
	return append(all, api+"CONSUMER.CREATE."+StreamName+"."+name+"."+subjectPrefix+">", acks+name+".>")
}

// reader is the consumer by which a part that may not read the feed reads its own facts again, to fill its model.
func reader(part string) string { return part + "-again" }

// inbox is where a part is answered, and nobody else listens.
func inbox(part string) string { return "_INBOX_" + part }

// permissions are the rights in the words of event servers; others are the parts whose consumers stay alone.
func (r Rights) permissions(others []Rights) (*server.Permissions, error) {
	publish, err := subjectsOf(r.Publishes)
	if err != nil {
		return nil, err
	}
	if len(r.Publishes) == 0 {
		publish = nil
	}
	allow := slices.Concat(publish, []string{api + "INFO", api + "STREAM.INFO." + StreamName, api + "STREAM.CREATE." + StreamName})
	may := &server.SubjectPermission{}
	if r.ReadsAll {
		allow = append(allow, ofConsumer("*")...)
		for _, o := range others {
			if o.Part != r.Part {
				may.Deny = append(may.Deny, append(ofConsumer(o.Part), ofConsumer(reader(o.Part))...)...)
			}
		}
	} else {
		allow = append(append(allow, ofConsumer(r.Part)...), ofConsumer(reader(r.Part))...)
	}
	may.Allow = allow
	return &server.Permissions{Publish: may, Subscribe: &server.SubjectPermission{Allow: []string{inbox(r.Part) + ".>"}}}, nil
}

// Key is how a part proves to event servers who it is: an Ed25519 key in the form of NATS.
type Key struct {
	part   string
	public string
	sign   nkeys.KeyPair
}

// NewKey makes a key.
func NewKey(part string) (Key, error) {
	pair, err := nkeys.CreateUser()
	if err != nil {
		return Key{}, err
	}
	return keyOf(part, pair)
}

func keyOf(part string, pair nkeys.KeyPair) (Key, error) {
	public, err := pair.PublicKey()
	return Key{part: part, public: public, sign: pair}, err
}

// Public is the half of the key that event servers know; it may be seen by anybody.
func (k Key) Public() string { return k.public }

// publicFile is the file that says which key is whose: a line of a part and its public key each. A part may have several, so that one can be
// replaced.
const publicFile = "public"

// MakeKeys makes a folder with a key for each part, in a file of its own that only its process needs, and the file of their public halves for
// the event servers.
func MakeKeys(folder string, parts ...string) error {
	if err := os.Mkdir(folder, 0o700); err != nil {
		return fmt.Errorf("the folder of the keys must be new: %w", err)
	}
	var lines strings.Builder
	for _, part := range parts {
		key, err := NewKey(part)
		if err != nil {
			return err
		}
		seed, err := key.sign.Seed()
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(folder, part), append(seed, '\n'), 0o600); err != nil {
			return err
		}
		fmt.Fprintf(&lines, "%s %s\n", part, key.public)
	}
	return os.WriteFile(filepath.Join(folder, publicFile), []byte(lines.String()), 0o600)
}

// LoadKey reads the key of a part from a folder of MakeKeys.
func LoadKey(folder, part string) (Key, error) {
	text, err := os.ReadFile(filepath.Join(folder, part))
	if err != nil {
		return Key{}, fmt.Errorf("the key of %s at the event servers: %w", part, err)
	}
	pair, err := nkeys.FromSeed([]byte(strings.TrimSpace(string(text))))
	if err != nil {
		return Key{}, fmt.Errorf("the key of %s at the event servers in %s is none; make new ones with event-keys", part, folder)
	}
	return keyOf(part, pair)
}

// LoadPublic reads which public key is whose.
func LoadPublic(path string) (map[string]string, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("the public keys of the parts: %w", err)
	}
	parts := map[string]string{}
	for line := range strings.Lines(string(text)) {
		words := strings.Fields(line)
		if len(words) == 0 {
			continue
		}
		if len(words) != 2 || !nkeys.IsValidPublicUserKey(words[1]) {
			return nil, fmt.Errorf("%q in %s is no line of a part and its public key", strings.TrimSpace(line), path)
		}
		parts[words[1]] = words[0]
	}
	return parts, nil
}

// Users are what event servers know of parts, by their public keys: for servers that are not run by Serve. A part without rights is an error.
func Users(rights []Rights, keys map[string]string) ([]*server.NkeyUser, error) {
	var all []*server.NkeyUser
	for public, part := range keys {
		at := slices.IndexFunc(rights, func(r Rights) bool { return r.Part == part })
		if at < 0 {
			return nil, fmt.Errorf("there is no part %q that could have a key at event servers", part)
		}
		permissions, err := rights[at].permissions(rights)
		if err != nil {
			return nil, err
		}
		all = append(all, &server.NkeyUser{Nkey: public, Permissions: permissions})
	}
	return all, nil
}

// as are the options of a connection that proves with a key whose it is.
func (k Key) as() []nats.Option {
	if k.sign == nil {
		return nil
	}
	return []nats.Option{nats.Nkey(k.public, k.sign.Sign), nats.CustomInboxPrefix(inbox(k.part))}
}

// serverLog writes what an event server warns of, such as a right that somebody does not have, into the log of the process.
type serverLog struct{ log *slog.Logger }

func (l serverLog) Warnf(format string, v ...any)  { l.log.Warn(fmt.Sprintf(format, v...)) }
func (l serverLog) Errorf(format string, v ...any) { l.log.Error(fmt.Sprintf(format, v...)) }
func (l serverLog) Fatalf(format string, v ...any) { l.log.Error(fmt.Sprintf(format, v...)) }
func (serverLog) Noticef(string, ...any)           {}
func (serverLog) Debugf(string, ...any)            {}
func (serverLog) Tracef(string, ...any)            {}

// hub is the part that the embedded stream is opened by: it makes the stream and does nothing else.
const hub = "suite"

// OpenFor opens the stream for parts, each with its own connection that its rights bind: the embedded stream with keys that live as long as the
// process, external servers with the keys in a folder. External servers without keys know no parts: all share one connection.
func OpenFor(ctx context.Context, cfg Config, keys string, parts ...string) (buses map[string]*Bus, end func(), err error) {
	buses = map[string]*Bus{}
	var open []*Bus
	end = func() {
		for _, b := range slices.Backward(open) {
			b.Close()
		}
	}
	add := func(b *Bus, err error, parts ...string) error {
		if err != nil {
			return err
		}
		open = append(open, b)
		for _, part := range parts {
			buses[part] = b
		}
		return nil
	}
	switch {
	case cfg.Dir != "":
		err = openEmbedded(ctx, cfg, parts, add)
	case keys == "":
		b, failed := Open(ctx, cfg)
		err = add(b, failed, parts...)
	default:
		err = openWith(ctx, cfg, keys, parts, add)
	}
	if err != nil {
		end()
		return nil, nil, err
	}
	return buses, end, nil
}

// openEmbedded starts the embedded server with a key for each part.
func openEmbedded(ctx context.Context, cfg Config, parts []string, add func(*Bus, error, ...string) error) error {
	rights, public, mine := append(slices.Clone(cfg.Rights), Rights{Part: hub}), map[string]string{}, map[string]Key{}
	for _, r := range rights {
		key, err := NewKey(r.Part)
		if err != nil {
			return err
		}
		mine[r.Part], public[key.public] = key, r.Part
	}
	known, err := Users(rights, public)
	if err != nil {
		return err
	}
	embedded, err := startEmbedded(cfg, known)
	if err != nil {
		return err
	}
	for i, part := range append([]string{hub}, parts...) {
		b := &Bus{}
		if i == 0 {
			b.embedded = embedded // it is closed last
		}
		var failed error
		b.conn, failed = nats.Connect("", append(append(mine[part].as(), embedded.reach()...), nats.Name("coldsection "+part), cfg.complaints())...)
		b, failed = b.opened(ctx, cfg, failed)
		b, failed = b.bound(rights, part, failed)
		if err := add(b, failed, part); err != nil {
			return err
		}
	}
	return nil
}

// openWith connects each part with its own key.
func openWith(ctx context.Context, cfg Config, folder string, parts []string, add func(*Bus, error, ...string) error) error {
	for _, part := range parts {
		var err error
		if cfg.Key, err = LoadKey(folder, part); err != nil {
			return err
		}
		b, err := Open(ctx, cfg)
		b, err = b.bound(cfg.Rights, part, err)
		if err := add(b, err, part); err != nil {
			return err
		}
	}
	return nil
}

// bound has a part that may not read the feed read by the one consumer that it may.
func (b *Bus) bound(rights []Rights, part string, err error) (*Bus, error) {
	if err == nil && !slices.ContainsFunc(rights, func(r Rights) bool { return r.Part == part && r.ReadsAll }) {
		b.reader = reader(part)
	}
	return b, err
}
