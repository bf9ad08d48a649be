//go:build matprofile

package cli

import (
	"fmt"
	"os"

	"gocv.io/x/gocv"
)

// Built with gocv's count of open Mats, every command of every script ends with none,
// also where it fails:
//
//	go test -tags matprofile ./cmd/wheelplane/internal/cli -run Scripts
func init() {
	ended = func(code int) int {
		n := gocv.MatProfile.Count()
		if n == 0 {
			return code
		}
		fmt.Fprintf(os.Stderr, "%d Mats were never closed:\n", n)
		_ = gocv.MatProfile.WriteTo(os.Stderr, 1) // the count is told anyway
		return 99
	}
}
