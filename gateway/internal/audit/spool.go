package audit

import (
	"bufio"
	"errors"
	"io"
	"os"

	"google.golang.org/protobuf/encoding/protodelim"

	accessv1 "coldsection.example/proto/coldsection/access/v1"
)

// spool is a file in which lines wait while the store can't take them, so that they outlive the process. Each is there once, with its length
// before it; one that the process died over is cut short and counts as not written.
type spool struct {
	path string // empty keeps nothing
	read bool   // whether what an earlier process left was taken over
	used bool   // whether there is something in it
}

// take reads what an earlier process left, once. A file that ends in the middle of a line gives the lines before it.
func (s *spool) take() (lines []*accessv1.AuditEvent, err error) {
	if s.read || s.path == "" {
		return nil, nil
	}
	file, err := os.Open(s.path)
	if errors.Is(err, os.ErrNotExist) {
		s.read = true
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer func() { _ = file.Close() }()
	s.read, s.used = true, true
	for in := bufio.NewReader(file); ; {
		line := &accessv1.AuditEvent{}
		if err := protodelim.UnmarshalFrom(in, line); err != nil {
			if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
				err = nil
			}
			return lines, err
		}
		lines = append(lines, line)
	}
}

// add puts lines on disk.
func (s *spool) add(lines []*accessv1.AuditEvent) error {
	if s.path == "" || len(lines) == 0 {
		return nil
	}
	file, err := os.OpenFile(s.path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	s.used = true
	for _, line := range lines {
		if _, err = protodelim.MarshalTo(file, line); err != nil {
			break
		}
	}
	return errors.Join(err, file.Sync(), file.Close())
}

// clear forgets what the store has.
func (s *spool) clear() error {
	if !s.used {
		return nil
	}
	s.used = false
	return os.Remove(s.path)
}
