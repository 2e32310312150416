// Package wire tells connections whose peer is gone without a word: a machine that lost its power, or a network that swallows what is sent.
package wire

import (
	"net"
	"time"

	"golang.org/x/sys/unix"
)

// probes is how many signs of life may be missed.
const probes = 3

// Watch ends a connection over TCP when for so long nothing that was sent to the peer was acknowledged, or, while nothing is sent, no sign of life was answered.
// Without it a system waits for a quarter of an hour for the first (net.ipv4.tcp_retries2 of Linux), and two hours for the second.
func Watch(conn net.Conn, dead time.Duration) error {
	tcp, ok := conn.(*net.TCPConn)
	if !ok {
		return nil // within the machine
	}
	apart := max(dead/(probes+1), time.Second) // the system counts in seconds
	if err := tcp.SetKeepAliveConfig(net.KeepAliveConfig{Enable: true, Idle: apart, Interval: apart, Count: probes}); err != nil {
		return err
	}
	raw, err := tcp.SyscallConn()
	if err != nil {
		return err
	}
	var failed error
	err = raw.Control(func(fd uintptr) {
		failed = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT, int(dead.Milliseconds()))
	})
	if err != nil {
		return err
	}
	return failed
}
