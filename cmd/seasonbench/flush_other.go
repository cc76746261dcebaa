//go:build !unix

package main

// flush does nothing here.
func flush() {}
