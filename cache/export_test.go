package cache

import "lapwear/cache/internal/fsx"

// On makes a store work on a file system, for tests that drive it from outside.
func (o Options) On(fs fsx.FS) Options {
	o.fs = fs
	return o
}
