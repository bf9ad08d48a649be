package cli

import (
	"runtime"
	"runtime/debug"
)

// release is set by the Makefile from git describe. Without it, the build's
// own record is asked.
var release string

// version is the version of this program, "devel" where nobody recorded one.
func version() string {
	if release != "" {
		return release
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "devel"
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		return v
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 {
			return "devel-" + s.Value[:12]
		}
	}
	return "devel"
}

// toolRecord is "tool" in a result file: what is needed to repeat the run.
type toolRecord struct {
	Name    string `json:"name"`
	Version string `json:"version"`
	Go      string `json:"go"`
}

func thisTool() toolRecord {
	return toolRecord{Name: "wheelplane", Version: version(), Go: runtime.Version()}
}
