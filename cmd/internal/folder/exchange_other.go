//go:build !linux && !darwin

package folder

import "errors"

// exchange makes two folders change places in one step; here nothing does.
func exchange(_, _ string) error { return errors.ErrUnsupported }
