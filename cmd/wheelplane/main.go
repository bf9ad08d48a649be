// Command wheelplane measures the wheel alignment of road vehicles from
// photographs of printed boards clamped to the wheels.
package main

import (
	"os"

	"wheelplane/cmd/wheelplane/internal/cli"
)

func main() { os.Exit(cli.Main()) }
