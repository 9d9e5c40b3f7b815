// Package ui holds the browser front end: plain ES modules, a style sheet and
// one HTML shell for every page, served as they lie in this directory.
//
// The shell decides by the path which page it draws (/listen, /rig, …); "/" is
// /listen. Modules know the wire format of the daemon and nothing else of it.
// Everything is loaded from the same origin, without inline script or style, so
// that "Content-Security-Policy: default-src 'self'" holds.
package ui

import (
	"embed"
	"io/fs"
)

//go:embed index.html style icon.svg boot.js app.js report.js core draw parts pages
var files embed.FS

// Files is the front end, rooted at its index.html. It is read-only and safe
// for use from several goroutines.
func Files() fs.FS { return files }
