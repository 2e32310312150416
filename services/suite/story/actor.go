package story

import (
	"context"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
)

// actor is a signed-in person; it is a connection on which that person calls.
type actor struct {
	story    *Story
	login    string
	password string
	person   string
	token    string
}

var _ grpc.ClientConnInterface = (*actor)(nil)

// Invoke calls as this person: it signs in anew when the session ended and repeats the call while the suite is away.
func (a *actor) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	resigned := false
	return a.story.patiently(ctx, func() error {
		err := a.story.opts.Conn.Invoke(a.sign(ctx), method, args, reply, opts...)
		if status.Code(err) == codes.Unauthenticated && !resigned && a.password != "" {
			if err := a.signIn(ctx); err != nil {
				return err
			}
			resigned = true
			err = a.story.opts.Conn.Invoke(a.sign(ctx), method, args, reply, opts...)
		}
		return err
	})
}

// NewStream opens a stream as this person.
func (a *actor) NewStream(
	ctx context.Context, desc *grpc.StreamDesc, method string, opts ...grpc.CallOption,
) (grpc.ClientStream, error) {
	return a.story.opts.Conn.NewStream(a.sign(ctx), desc, method, opts...)
}

func (a *actor) sign(ctx context.Context) context.Context {
	if a.token == "" {
		return ctx
	}
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+a.token)
}

// signIn opens a session with the actor's password. It calls without credentials.
func (a *actor) signIn(ctx context.Context) error {
	session, err := accessv1.NewSessionServiceClient(a.story.opts.Conn).SignIn(ctx,
		&accessv1.SignInRequest{Login: a.login, Password: a.password})
	if err != nil {
		return err
	}
	a.token = session.GetToken()
	return nil
}

// proof is a fresh re-authentication for one signature.
func (a *actor) proof(ctx context.Context) (string, error) {
	answer, err := accessv1.NewSessionServiceClient(a).Reauthenticate(ctx, &accessv1.ReauthenticateRequest{Password: a.password})
	return answer.GetReauthenticationToken(), err
}

// patiently repeats a call while the suite can't be reached, and counts the calls that succeeded.
func (s *Story) patiently(ctx context.Context, call func() error) error {
	patience, cancel := context.WithTimeout(ctx, max(s.opts.Patience, time.Millisecond))
	defer cancel()
	for {
		err := call()
		if err == nil {
			s.out.Calls++
			if s.opts.After != nil {
				s.opts.After(s.out.Calls)
			}
			return nil
		}
		if c := status.Code(err); c != codes.Unavailable && c != codes.DeadlineExceeded {
			return err
		}
		select {
		case <-patience.Done():
			return err
		case <-pause():
		}
	}
}

// key is a fixed idempotency key for one thing that the story does.
func (s *Story) key(label string) string {
	return uuid.NewSHA1(uuid.NameSpaceURL, []byte("coldsection.example/story/"+label)).String()
}
