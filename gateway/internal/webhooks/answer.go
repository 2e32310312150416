package webhooks

import (
	"context"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
	"coldsection.example/services/platform/auth"
	"coldsection.example/services/platform/facts"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// Answers knows the accounts and keys that answer for endpoints.
type Answers interface {
	// KeyOf is the API key with which somebody calls who is to answer; "" for a person. Reasons: BREAK_GLASS_LIMITED, CREDENTIALS_WRONG.
	KeyOf(ctx context.Context, tx *storage.Tx, id auth.Identity) (string, error)
	// For is what whoever answers for an endpoint may let out, or why nothing at all.
	For(ctx context.Context, tx *storage.Tx, e *accessv1.WebhookEndpoint) (reader facts.Reader, stop string, err error)
}

// nobody is why an endpoint is stopped that is older than the question who answers for it.
const nobody = "It was made when nobody had to answer for what an endpoint is sent, so nothing says what it may have. Nothing is lost meanwhile. " +
	"An administrator or integrator, or a key of one, takes the endpoint over by enabling it."

// another is who lets an endpoint go on for which somebody answered who may not any more.
const another = " Another administrator or integrator, or another key, takes the endpoint over by enabling it."

// answered is what an endpoint may be sent; why it is stopped, where there is nobody who may let anything out.
func (s *Store) answered(ctx context.Context, tx *storage.Tx, e *accessv1.WebhookEndpoint) (reader facts.Reader, stop string, err error) {
	if s.Answers == nil {
		return facts.Reader{Roles: []string{"admin"}}, "", nil
	}
	if e.GetResponsibleAccount() == "" {
		return reader, nobody, nil
	}
	reader, stop, err = s.Answers.For(ctx, tx, e)
	if err == nil && stop == "" {
		if f, refused := fault.As(reader.Asked(e.GetTypes())); refused {
			stop = f.Message
		}
	}
	if stop != "" {
		stop += another
	}
	return reader, stop, err
}

// takeOver makes the caller answer for an endpoint, as far as the caller's key goes. Reasons: BREAK_GLASS_LIMITED, SCOPE_MISSING, ROLE_MISSING.
func (s *Store) takeOver(ctx context.Context, tx *storage.Tx, e *accessv1.WebhookEndpoint) error {
	id, _ := auth.FromContext(ctx)
	e.ResponsibleAccount, e.ResponsibleKey, e.Scopes = id.Account, "", id.Scopes
	if s.Answers == nil {
		return nil
	}
	key, err := s.Answers.KeyOf(ctx, tx, id)
	if err != nil {
		return err
	}
	e.ResponsibleKey = key
	reader, _, err := s.Answers.For(ctx, tx, e)
	if err != nil {
		return err
	}
	return reader.Asked(e.GetTypes())
}

// stopped disables an endpoint for which nobody answers any more: what leaves the house needs somebody who may let it.
func (s *Store) stopped(ctx context.Context, tx *storage.Tx, endpoint, why string) error {
	return s.disable(ctx, tx, endpoint, why, 0)
}

// notTheirs is why a message that was taken is not sent.
const notTheirs = "Whoever answers for the endpoint now may not let out facts of this type, so it was not sent. Let somebody who may enable the endpoint, and replay it."

// withhold ends messages that may not be sent, and leaves the others.
func (s *Store) withhold(ctx context.Context, tx *storage.Tx, all []claimed, reader facts.Reader) (kept []claimed, err error) {
	for _, c := range all {
		if c.test || reader.May(c.eventType) {
			kept = append(kept, c)
			continue
		}
		d, err := Deliveries.Lock(ctx, tx, c.delivery)
		if err != nil {
			return nil, err
		}
		now := s.Clock.Now()
		note(d, outcome{at: now, problem: notTheirs}, false, now)
		if err := Deliveries.Save(ctx, tx, d, now); err != nil {
			return nil, err
		}
		if _, err := tx.Exec(ctx, "UPDATE webhook_messages SET waiting = 0 WHERE delivery = $1", c.delivery); err != nil {
			return nil, err
		}
	}
	return kept, nil
}
