package vision

import (
	"maps"
	"slices"
)

// Dictionary is a family of square markers.
type Dictionary struct {
	Bits int // inner bits per side; a black border one bit wide surrounds them
	Size int // number of ids

	opencv int // OpenCV's number for it
}

// Dictionaries are the families the detector knows, under the names used in
// files and on the command line.
var Dictionaries = map[string]Dictionary{
	"4x4_50": {4, 50, 0}, "4x4_100": {4, 100, 1}, "4x4_250": {4, 250, 2}, "4x4_1000": {4, 1000, 3},
	"5x5_50": {5, 50, 4}, "5x5_100": {5, 100, 5}, "5x5_250": {5, 250, 6}, "5x5_1000": {5, 1000, 7},
	"6x6_50": {6, 50, 8}, "6x6_100": {6, 100, 9}, "6x6_250": {6, 250, 10}, "6x6_1000": {6, 1000, 11},
	"16h5": {4, 30, 17}, "25h9": {5, 35, 18}, "36h10": {6, 2320, 19}, "36h11": {6, 587, 20},
}

// DictionaryNames lists the names of [Dictionaries] in alphabetical order.
func DictionaryNames() []string { return slices.Sorted(maps.Keys(Dictionaries)) }
