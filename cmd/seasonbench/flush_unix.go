//go:build unix

package main

import "golang.org/x/sys/unix"

// flush waits until what was written is on the disk, so that it does not write while something is timed.
func flush() { unix.Sync() }
