//go:build !unix

package fsx

import "io/fs"

func inode(fs.FileInfo) uint64 { return 0 }

func cannotSync(error) bool { return true }
