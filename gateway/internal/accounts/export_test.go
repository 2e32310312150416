package accounts

import "context"

// GuessAt counts a guess at a login as SignIn does before it compares, which takes its time.
func (s *Store) GuessAt(ctx context.Context, login string) error {
	return s.countGuess(ctx, loginTarget(login), "")
}
