// Package repository holds tests about the repository itself: who may import whom, that every package says what it is for,
// that nothing reads the time of day but the clock, that files stay small, and that no path or host of somebody's machine
// slipped in. They read the source tree and run in seconds; the linter checks most of it again, line by line.
package repository
