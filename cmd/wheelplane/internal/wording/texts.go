package wording

import (
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"regexp"
	"slices"
	"strings"
	"sync/atomic"
	"unicode"
	"unicode/utf8"
)

// files hold what is told of the work itself, a language a file: text by key, with
// places named in braces for what is filled in, in whatever order a language wants.
//
//go:embed *.json
var files embed.FS

// Default is the language that all others are held against.
const Default = "en"

var (
	english = mustRead(Default)
	current atomic.Pointer[map[string]string]
	place   = regexp.MustCompile(`\{[a-z]+\}`)
)

func init() { current.Store(&english) }

// read reads a language's file. One that is not there is [fs.ErrNotExist].
func read(language string) (map[string]string, error) {
	text, err := files.ReadFile(language + ".json")
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	return out, json.Unmarshal(text, &out)
}

func mustRead(language string) map[string]string {
	out, err := read(language)
	if err != nil {
		panic(fmt.Errorf("%s.json: %w", language, err))
	}
	return out
}

// Use has Say tell in the language of this name, such as "en", from now on. It is
// an error if there is no such file, or it lacks what [Set] wants; the language
// stays as it was then.
func Use(language string) error {
	texts, err := read(language)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("there are no texts in %q: choose one of %s", language, strings.Join(Languages(), ", "))
	}
	if err != nil {
		return fmt.Errorf("texts in %q: %w", language, err)
	}
	return Set(language, texts)
}

// Languages are those that Use knows, by name.
func Languages() []string {
	var out []string
	list, _ := files.ReadDir(".")
	for _, f := range list {
		out = append(out, strings.TrimSuffix(f.Name(), ".json"))
	}
	return out
}

// Set has Say tell these texts, which must have the keys of the English ones, each
// with the same places to fill in, in any order.
func Set(language string, texts map[string]string) error {
	for _, key := range slices.Sorted(maps.Keys(english)) {
		text, ok := texts[key]
		if !ok {
			return fmt.Errorf("texts in %q: there is none for %q", language, key)
		}
		if got, want := Places(text), Places(english[key]); !slices.Equal(got, want) {
			return fmt.Errorf("texts in %q: %q has the places %v, where %v are filled in", language, key, got, want)
		}
	}
	for _, key := range slices.Sorted(maps.Keys(texts)) {
		if _, ok := english[key]; !ok {
			return fmt.Errorf("texts in %q: nothing asks for %q", language, key)
		}
	}
	texts = maps.Clone(texts)
	current.Store(&texts)
	return nil
}

// English is a copy of the English texts, by key.
func English() map[string]string { return maps.Clone(english) }

// Places are the names in braces of a text, each once, sorted.
func Places(text string) []string {
	out := place.FindAllString(text, -1)
	for i := range out {
		out[i] = strings.Trim(out[i], "{}")
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// Say is the text of a key in the current language, with what is filled in as pairs
// of a place's name and its value. Keys and names are written out where Say is
// called, so that the tests find those which are not there.
func Say(key string, pairs ...any) string {
	text, ok := (*current.Load())[key]
	if !ok {
		return key
	}
	if len(pairs) == 0 {
		return text
	}
	var list []string
	for i := 0; i+1 < len(pairs); i += 2 {
		list = append(list, "{"+fmt.Sprint(pairs[i])+"}", fmt.Sprint(pairs[i+1]))
	}
	return strings.NewReplacer(list...).Replace(text)
}

// Capital begins a sentence: s with its first letter as a capital.
func Capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

// Quantity is the name of a reading's quantity, such as "total_toe". One without a
// name of its own is read as it is written in files.
func Quantity(quantity string) string {
	if text, ok := (*current.Load())["quantity."+quantity]; ok {
		return text
	}
	return strings.ReplaceAll(quantity, "_", " ")
}
