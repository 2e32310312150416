package storage

import "context"

// Aside is a transaction that reaches no store: every statement in it is answered with an error. It is for work that goes on beside a transaction,
// which one goroutine only may use: what turns out to need the store is told by the error, and left to that one.
func Aside(engine Engine, answer error) *Tx { return &Tx{s: aside{answer}, engine: engine} }

type aside struct{ answer error }

func (a aside) exec(context.Context, string, []any) (int64, error)             { return 0, a.answer }
func (a aside) query(context.Context, string, []any) (Rows, error)             { return nil, a.answer }
func (a aside) queue(context.Context, Check, string, []any) error              { return a.answer }
func (a aside) each(context.Context, Check, string, []any) error               { return a.answer }
func (a aside) ask(context.Context, func(Rows) error, string, []any) error     { return a.answer }
func (a aside) askEach(context.Context, func(Rows) error, string, []any) error { return a.answer }
func (a aside) flush(context.Context) error                                    { return nil }
func (a aside) undo(context.Context, string) error                             { return nil }
