package harness

import (
	"bufio"
	"fmt"
	"os"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// FewFiles lets the program have so many files and connections open at most, until more is called.
func (p *Process) FewFiles(most uint64) (more func(), err error) {
	var before unix.Rlimit
	if err := unix.Prlimit(p.PID(), unix.RLIMIT_NOFILE, nil, &before); err != nil {
		return nil, err
	}
	if err := unix.Prlimit(p.PID(), unix.RLIMIT_NOFILE, &unix.Rlimit{Cur: most, Max: before.Max}, nil); err != nil {
		return nil, err
	}
	return func() {
		if err := unix.Prlimit(p.PID(), unix.RLIMIT_NOFILE, &before, nil); err != nil {
			p.t.Error(err)
		}
	}, nil
}

// MostMemory is the most that the program had in memory so far, in bytes, with what it shares with its file.
func (p *Process) MostMemory() (int64, error) { return p.status("VmHWM:") }

// OwnMemory is what the program has in memory now that is in no file, in bytes; the system can't take it back.
func (p *Process) OwnMemory() (int64, error) { return p.status("RssAnon:") }

// status is a figure of the process, in bytes.
func (p *Process) status(name string) (int64, error) {
	file, err := os.Open(fmt.Sprintf("/proc/%d/status", p.PID()))
	if err != nil {
		return 0, err
	}
	defer func() { _ = file.Close() }()
	for lines := bufio.NewScanner(file); lines.Scan(); {
		if fields := strings.Fields(lines.Text()); len(fields) == 3 && fields[0] == name {
			kilobytes, err := strconv.ParseInt(fields[1], 10, 64)
			return kilobytes << 10, err
		}
	}
	return 0, fmt.Errorf("process %d says nothing of %s", p.PID(), name)
}
