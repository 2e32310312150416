// Package beside runs what goes on beside a call in a goroutine of its own, where nothing else would hold a panic: it would end the process, and
// with it everybody's calls.
package beside

import (
	"context"
	"fmt"
	"log/slog"
	"runtime/debug"
)

// Do makes a panic in fn its error, and writes it into the log; without a log, into that of the process.
func Do(ctx context.Context, log *slog.Logger, what string, fn func() error) (err error) {
	defer func() {
		p := recover()
		if p == nil {
			return
		}
		err = fmt.Errorf("panic while %s: %v\n%s", what, p, debug.Stack())
		if log == nil {
			log = slog.Default()
		}
		log.ErrorContext(ctx, "panic", "while", what, "error", err)
	}()
	return fn()
}
