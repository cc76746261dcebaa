//go:build !linux || !(amd64 || arm64) || race || msan || asan

package hugepages

func advise(int) string { return "this build asks for none" }
