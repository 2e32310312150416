package harness

import (
	"golang.org/x/sys/unix"
)

// FullDisk lets the program write to no file, as if its disk were full, until room is called.
func (p *Process) FullDisk() (room func(), err error) {
	var before unix.Rlimit
	full := unix.Rlimit{}
	if err := unix.Prlimit(p.PID(), unix.RLIMIT_FSIZE, nil, &before); err != nil {
		return nil, err
	}
	full.Max = before.Max
	if err := unix.Prlimit(p.PID(), unix.RLIMIT_FSIZE, &full, nil); err != nil {
		return nil, err
	}
	return func() {
		if err := unix.Prlimit(p.PID(), unix.RLIMIT_FSIZE, &before, nil); err != nil {
			p.t.Error(err)
		}
	}, nil
}
