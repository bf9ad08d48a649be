package vision

import "fmt"

// describe names the camera in messages.
func (c *Camera) describe() string {
	if c.Name == "" {
		return "the camera file"
	}
	return fmt.Sprintf("the camera file %s", c.Name)
}
