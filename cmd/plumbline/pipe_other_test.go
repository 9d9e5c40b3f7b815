//go:build !unix

package main

import "errors"

func pipe(string) error { return errors.ErrUnsupported }
