//go:build unix

package cachetest

import (
	"os/exec"
	"syscall"
)

// group puts a program and what it starts into a process group of their own.
func group(c *exec.Cmd) { c.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} }

func killGroup(c *exec.Cmd) { syscall.Kill(-c.Process.Pid, syscall.SIGKILL) }
