package harness

import (
	"context"
	"fmt"
	"strings"

	"coldsection.example/services/platform/killpoint"
)

// Doom kills the program and starts it again so that it kills itself at each of these points, such as "relay.published=3", one after the
// other; after the last it is started without one. It returns when that is ready, or the points that were not reached when ctx ended.
func (p *Process) Doom(ctx context.Context, points []string) error {
	p.Kill()
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
			return fmt.Errorf("not reached: %s", strings.Join(points[i:], ", "))
		}
	}
	p.env = nil
	if !<-p.launch() {
		return fmt.Errorf("after all these deaths the program does not start: %v", p.args)
	}
	return nil
}
