package rig

import (
	"os"
	"reflect"
	"strings"
	"testing"
)

// keysOf lists the keys of a struct's YAML, and of all below it.
func keysOf(t reflect.Type, keys map[string]bool) {
	switch t.Kind() {
	case reflect.Pointer, reflect.Slice:
		keysOf(t.Elem(), keys)
	case reflect.Struct:
		for f := range t.Fields() {
			name, _, _ := strings.Cut(f.Tag.Get("yaml"), ",")
			keys[name] = true
			keysOf(f.Type, keys)
		}
	}
}

// TestKeysAreTold: README.md and the help of 'measure' show every key that
// job.yaml may have.
func TestKeysAreTold(t *testing.T) {
	keys := map[string]bool{}
	keysOf(reflect.TypeFor[file](), keys)
	if len(keys) < 40 {
		t.Fatalf("only %d keys found", len(keys))
	}
	for _, path := range []string{"../../README.md", "../../cmd/wheelplane/internal/cli/measure.go"} {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for key := range keys {
			if !strings.Contains(string(text), key+":") {
				t.Errorf("%s does not show the key %s", path, key)
			}
		}
	}
}
