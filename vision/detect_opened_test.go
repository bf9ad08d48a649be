package vision

import "image"

// DetectOpened is OpenCV's own marker detection at full resolution with its
// limits opened: sides from 4 pixels, and thresholds against neighbourhoods of
// many sizes. To compare with.
func DetectOpened(img *image.Gray, dictionary string) ([]Marker, error) {
	read, _, err := findMarkers(img, Dictionaries[dictionary], markerSearch{minSidePx: 4, winMin: 3, winMax: 43, winStep: 5})
	return read, err
}
