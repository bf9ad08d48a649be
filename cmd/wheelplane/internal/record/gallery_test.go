package record_test

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"testing"

	"wheelplane/cmd/wheelplane/internal/record"
)

var gallery = flag.String("gallery", "", "write every example's PDF and HTML into this `folder`, to be looked at")

func TestGallery(t *testing.T) {
	if *gallery == "" {
		t.Skip("records are written to be looked at with -gallery DIR")
	}
	for _, x := range examples(t) {
		var b bytes.Buffer
		if _, err := record.WritePDF(&b, x.in, x.o); err != nil {
			t.Errorf("%s: %v", x.name, err)
			continue
		}
		if err := os.WriteFile(filepath.Join(*gallery, x.name+".pdf"), b.Bytes(), 0o666); err != nil {
			t.Fatal(err)
		}
		b.Reset()
		if err := record.WriteHTML(&b, x.in, x.o); err != nil {
			t.Errorf("%s: %v", x.name, err)
			continue
		}
		if err := os.WriteFile(filepath.Join(*gallery, x.name+".html"), b.Bytes(), 0o666); err != nil {
			t.Fatal(err)
		}
	}
}
