//go:build !unix

package cachetest

import "os/exec"

func group(*exec.Cmd) {}

func killGroup(c *exec.Cmd) { c.Process.Kill() }
