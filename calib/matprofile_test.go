//go:build matprofile

package calib_test

import (
	"bytes"
	"fmt"
	"os"
	"testing"

	"gocv.io/x/gocv"
)

// TestMain counts OpenCV's Mats: none may be open when the tests are through.
// "make leaks" runs it, with gocv's own count built in.
func TestMain(m *testing.M) {
	code := m.Run()
	if n := gocv.MatProfile.Count(); n > 0 {
		var where bytes.Buffer
		gocv.MatProfile.WriteTo(&where, 1)
		fmt.Printf("%d Mats left open:\n%s", n, where.String())
		code = 1
	}
	os.Exit(code)
}
