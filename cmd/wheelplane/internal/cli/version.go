package cli

import (
	"runtime"
	"runtime/debug"

	"wheelplane/pose/rig"
	"wheelplane/vision"
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

// thisTool is "tool" in a result file.
func thisTool() rig.Tool {
	return rig.Tool{Name: "wheelplane", Version: version(), Go: runtime.Version(), OpenCV: vision.OpenCVVersion()}
}
