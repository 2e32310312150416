package harness

import (
	"context"
	"fmt"

	"coldsection.example/services/platform/killpoint"
)

// Doom kills the program and starts it again so that it kills itself at each of these points, such as "relay.published=3", one after the
// other. In the end it is started without one, and Doom returns when that is ready. Points that were not reached when ctx ended are missed.
func (p *Process) Doom(ctx context.Context, points []string) (missed []string, err error) {
	p.Kill()
	missed = p.dieAt(ctx, points)
	p.env = nil
	if !<-p.launch() {
		return missed, fmt.Errorf("after all these deaths the program does not start: %v", p.args)
	}
	return missed, nil
}

// dieAt starts the program again and again so that it kills itself at each of the points, and returns those that were not reached when ctx ended.
func (p *Process) dieAt(ctx context.Context, points []string) (missed []string) {
	for i, point := range points {
		p.env = []string{killpoint.Variable + "=" + point}
		p.launch()
		died := make(chan struct{})
		go func(cmd interface{ Wait() error }) {
			defer close(died)
			_ = cmd.Wait()
		}(p.cmd)
		select {
		case <-died:
			p.t.Logf("it killed itself at %s", point)
		case <-ctx.Done():
			_ = p.cmd.Process.Kill()
			<-died
			return points[i:]
		}
	}
	return nil
}
