//go:build !linux || !(amd64 || arm64) || race || msan || asan

package heap

func advise(int) string { return "this build asks for none" }
