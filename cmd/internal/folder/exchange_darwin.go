package folder

import "golang.org/x/sys/unix"

// exchange makes two folders change places in one step.
func exchange(a, b string) error { return unix.RenamexNp(a, b, unix.RENAME_SWAP) }
