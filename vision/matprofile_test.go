//go:build matprofile

package vision

import (
	"bytes"
	"fmt"

	"gocv.io/x/gocv"
)

// "make leaks" counts OpenCV's Mats: none may be open when the tests are through.
func init() {
	openMats = func() error {
		n := gocv.MatProfile.Count()
		if n == 0 {
			return nil
		}
		var where bytes.Buffer
		gocv.MatProfile.WriteTo(&where, 1)
		return fmt.Errorf("%d Mats left open:\n%s", n, where.String())
	}
}
