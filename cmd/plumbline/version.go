package main

import (
	"cmp"
	"fmt"
	"runtime"
	"runtime/debug"
)

// release and commit are set by the linker, as in
//
//	go build -ldflags "-X main.release=v1.2.0 -X main.commit=0123456789ab" ./cmd/plumbline
//
// Empty ones are what Go has noted of the build itself.
var release, commit string

// version is the release, the commit it was built from and with what.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		info = new(debug.BuildInfo)
	}
	return versionOf(release, commit, info)
}

func versionOf(release, commit string, info *debug.BuildInfo) string {
	if commit == "" {
		changed := ""
		for _, s := range info.Settings {
			switch {
			case s.Key == "vcs.revision":
				commit = s.Value[:min(12, len(s.Value))]
			case s.Key == "vcs.modified" && s.Value == "true":
				changed = "-changed"
			}
		}
		commit = cmp.Or(commit, "unknown") + changed
	}
	return fmt.Sprintf("%s (commit %s, %s, %s/%s)", cmp.Or(release, info.Main.Version, "(devel)"), commit, cmp.Or(info.GoVersion, runtime.Version()), runtime.GOOS, runtime.GOARCH)
}
