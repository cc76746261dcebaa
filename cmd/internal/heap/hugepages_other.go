//go:build !linux || !(amd64 || arm64) || race || msan || asan

package heap

func advise(int) (asked int, reason string) { return 0, "this build asks for none" }
