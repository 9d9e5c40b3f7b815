//go:build !unix

package show

import "errors"

func makePipe(string) error { return errors.ErrUnsupported }
