// Package eventbus carries facts from the outbox of one service to the consumers of others, over NATS JetStream.
//
// The same code runs embedded (a server in this process, without any open port) and against external servers. Facts are
// CloudEvents 1.0 in NATS binary mode on the subject coldsection.v1.<area>.<thing>.<past tense>, in one stream that is
// never purged. The stream is transport, not record: the outboxes keep every fact and can fill it again.
//
// A fact is delivered at least once. Its effect happens once, because the effect and the row that says "processed" commit
// together. Facts of one source about one subject take effect in their order: while one of them can't, its successors
// are parked behind it and all others go on. A fact before which one of its type is missing waits for it, and one under a
// version or an id that is taken never takes effect; both are parked with the reason.
package eventbus

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"coldsection.example/services/platform/config"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/outbox"
)

// StreamName is the stream that holds all facts.
const StreamName = "COLDSECTION"

// Config says where the stream is.
type Config struct {
	Dir         string      // embedded: the folder that the server keeps its files in
	URL         string      // external: the servers, with commas between
	Credentials string      // external: a credentials file; empty for none
	Replicas    int         // external: copies of the stream; 0 means 3
	Key         Key         // external: who the part is to servers that know rights; the zero value is nobody
	TLS         *tls.Config // external: how to call the servers over TLS; nil is what their addresses say
	Rights      []Rights    // embedded: what each part may do, for OpenFor
	Log         *slog.Logger
}

// Bus is an open connection to the stream.
type Bus struct {
	embedded *embedded
	conn     *nats.Conn
	js       jetstream.JetStream
	stream   jetstream.Stream
	reader   string // the name of the one consumer by which facts may be read again; empty for any
}

// Open connects, embedded when the config has a Dir, and makes the stream if it is missing. A stream whose settings differ
// is an error, never changed.
func Open(ctx context.Context, cfg Config) (*Bus, error) {
	b := &Bus{}
	var err error
	if cfg.Dir != "" {
		if b.embedded, err = startEmbedded(cfg, nil); err == nil {
			b.conn, err = nats.Connect("", append(b.embedded.reach(), nats.Name("coldsection"))...)
		}
	} else {
		err = b.connect(cfg)
	}
	return b.opened(ctx, cfg, err)
}

// opened finishes a connection: it finds or makes the stream.
func (b *Bus) opened(ctx context.Context, cfg Config, err error) (*Bus, error) {
	replicas, first := 1, uint64(0)
	if cfg.Dir == "" {
		replicas = cmp.Or(cfg.Replicas, 3)
	} else if err == nil {
		first, err = beginning(cfg.Dir)
	}
	if err == nil {
		b.js, err = jetstream.New(b.conn)
	}
	if err == nil {
		err = leaderless(ctx, func() error {
			b.stream, err = ensureStream(ctx, b.js, replicas, first)
			return err
		})
	}
	if err != nil {
		b.Close()
		return nil, err
	}
	return b, nil
}

func (b *Bus) connect(cfg Config) error {
	options := append([]nats.Option{nats.Name("coldsection"), nats.MaxReconnects(-1), cfg.complaints()}, cfg.Key.as()...)
	if cfg.Credentials != "" {
		options = append(options, nats.UserCredentials(cfg.Credentials))
	}
	var err error
	if cfg.TLS != nil {
		options = append(options, nats.Secure(cfg.TLS))
	}
	if b.conn, err = nats.Connect(cfg.URL, options...); err != nil {
		return fmt.Errorf("reaching the event stream at %s: %s", config.Mask(cfg.URL), config.Mask(err.Error()))
	}
	return nil
}

// complaints has what servers say against a connection written into the log.
func (c Config) complaints() nats.Option {
	return nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
		if c.Log != nil {
			c.Log.Warn("the event server complains", "error", config.Mask(err.Error()))
		}
	})
}

// Close ends the connection and waits until an embedded server has written everything.
func (b *Bus) Close() {
	if b.conn != nil {
		b.conn.Close()
	}
	if b.embedded != nil {
		b.embedded.stop()
	}
}

// Ready says whether facts can be published and read.
func (b *Bus) Ready(ctx context.Context) error {
	if _, err := b.stream.Info(ctx); err != nil {
		return fault.New(fault.Unavailable, "EVENT_STREAM_UNAVAILABLE", "The event stream can't be reached. Facts wait until it is back.").
			Because(err)
	}
	return nil
}

// streamConfig is what the stream must be.
func streamConfig(replicas int) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name: StreamName, Subjects: []string{subjectPrefix + ">"}, Storage: jetstream.FileStorage, Replicas: replicas,
		Retention: jetstream.LimitsPolicy, Discard: jetstream.DiscardNew, Duplicates: 10 * time.Minute, DenyDelete: true, DenyPurge: true,
	}
}

// ensureStream finds the stream, or makes it with its first sequence.
func ensureStream(ctx context.Context, js jetstream.JetStream, replicas int, first uint64) (jetstream.Stream, error) {
	want := streamConfig(replicas)
	stream, err := js.Stream(ctx, StreamName)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		want.FirstSeq = first
		stream, err = js.CreateStream(ctx, want)
		if errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) { // another instance was quicker
			stream, err = js.Stream(ctx, StreamName)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("the stream %s: %w", StreamName, err)
	}
	have := stream.CachedInfo().Config
	if difference := differs(have, want); difference != "" {
		return nil, fmt.Errorf("the stream %s has other settings: %s. Nothing was changed; correct it with \"nats stream edit %s\"",
			StreamName, difference, StreamName)
	}
	return stream, nil
}

// differs names the first setting that matters and is not as wanted.
func differs(have, want jetstream.StreamConfig) string {
	for _, s := range []struct {
		name       string
		have, want any
	}{
		{"subjects", fmt.Sprint(have.Subjects), fmt.Sprint(want.Subjects)}, {"storage", have.Storage, want.Storage},
		{"replicas", have.Replicas, want.Replicas}, {"retention", have.Retention, want.Retention}, {"discard", have.Discard, want.Discard},
		{"deny delete", have.DenyDelete, want.DenyDelete}, {"deny purge", have.DenyPurge, want.DenyPurge},
		{"maximum age", have.MaxAge, want.MaxAge}, {"maximum messages", max(have.MaxMsgs, 0), max(want.MaxMsgs, 0)},
		{"maximum bytes", max(have.MaxBytes, 0), max(want.MaxBytes, 0)},
	} {
		if s.have != s.want {
			return fmt.Sprintf("%s is %v, not %v", s.name, s.have, s.want)
		}
	}
	return ""
}

// Publish hands a fact to the stream and returns once it is stored there.
func (b *Bus) Publish(ctx context.Context, e outbox.Event) error {
	msg, err := encode(e)
	if err != nil {
		return err
	}
	if _, err = b.js.PublishMsg(ctx, msg, jetstream.WithMsgID(e.ID)); err != nil {
		return fmt.Errorf("publishing %s: %w", e.Type, err)
	}
	return nil
}
