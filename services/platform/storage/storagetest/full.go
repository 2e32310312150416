package storagetest

import (
	"sync"
	"syscall"
	"testing"
)

// fullAt is the size beyond which no file grows on a full disk; what the test itself writes down is smaller.
const fullAt = 256 << 10

// FullDisk lets no file of this process grow beyond 256 KiB until room is called, as if the disk were full: what would grow one fails.
// Tests that use it must not run beside others.
func FullDisk(t testing.TB) (room func()) {
	t.Helper()
	var before syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &before); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: fullAt, Max: before.Max}); err != nil {
		t.Fatal(err)
	}
	room = sync.OnceFunc(func() {
		if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &before); err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(room)
	return room
}
