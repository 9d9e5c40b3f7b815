//go:build cgo && !nodevices

package device

// quiet does nothing: the libraries are silent on Windows.
func quiet() func() { return func() {} }
