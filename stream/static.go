package stream

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"slices"
	"strings"
)

// pages are the addresses of the front end; all are its one shell.
var pages = []string{"/", "/listen", "/rig", "/align", "/watch", "/room", "/show", "/setup", "/walk"}

// contentTypes is our own table: what the host system thinks a .js file is
// must not matter.
var contentTypes = map[string]string{
	".html":        "text/html; charset=utf-8",
	".js":          "text/javascript; charset=utf-8",
	".css":         "text/css; charset=utf-8",
	".svg":         "image/svg+xml",
	".png":         "image/png",
	".ico":         "image/x-icon",
	".json":        "application/json",
	".woff2":       "font/woff2",
	".webmanifest": "application/manifest+json",
	".txt":         "text/plain; charset=utf-8",
}

// static serves the front end. Files are read each time, so that a directory
// on disk can be edited while it is served; their hash saves the transfer.
func (s *Server) static(w http.ResponseWriter, r *http.Request) error {
	missing := &Error{Code: "not_found", Text: "no such page: start at /", Status: http.StatusNotFound}
	if s.cfg.UI == nil {
		return missing
	}
	name := strings.TrimPrefix(r.URL.Path, "/")
	if slices.Contains(pages, r.URL.Path) {
		name = "index.html"
	}
	kind, ok := contentTypes[path.Ext(name)]
	if !ok || !fs.ValidPath(name) {
		return missing
	}
	data, err := fs.ReadFile(s.cfg.UI, name)
	if errors.Is(err, fs.ErrNotExist) {
		return missing
	}
	if err != nil {
		return err
	}
	if name == "index.html" { // the page need not wait for the hello to know what it may show
		data = bytes.Replace(data, []byte("<html "), fmt.Appendf(nil, "<html data-role=%q ", whoAsks(r).Role), 1)
	}
	sum := sha256.Sum256(data)
	etag := `"` + hex.EncodeToString(sum[:16]) + `"`
	h := w.Header()
	h.Set("Content-Type", kind)
	h.Set("ETag", etag)
	h.Set("Cache-Control", "no-cache") // keep, but ask
	if slices.Contains(strings.Split(strings.ReplaceAll(r.Header.Get("If-None-Match"), " ", ""), ","), etag) {
		w.WriteHeader(http.StatusNotModified)
		return nil
	}
	_, _ = w.Write(data) // an error means that the peer has gone
	return nil
}
