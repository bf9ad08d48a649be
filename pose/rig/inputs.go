package rig

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Inputs names the files a result was made from by their contents, so that
// years later it can be told whether they are still the same.
type Inputs struct {
	Job    Input   `json:"job"`
	Camera Input   `json:"camera"`
	Photos []Input `json:"photos"` // all that were looked at, those left out among them

	// Photographed is when the first of them was taken, by the camera's clock;
	// zero where none says.
	Photographed time.Time `json:"photographed,omitzero"`
}

// Input is a file and the SHA-256 (FIPS 180-4) of its contents, in hexadecimal;
// the path is relative to the job's folder, or absolute outside it.
type Input struct {
	Path   string `json:"path"`
	SHA256 string `json:"sha256"`
}

// Changes tells how the files of a job differ from those it was once measured
// from.
type Changes struct {
	Missing []string `json:"missing,omitempty"` // photographs
	Changed []string `json:"changed,omitempty"` // photographs of other contents
	Added   []string `json:"added,omitempty"`   // photographs
	Renamed []string `json:"renamed,omitempty"` // the same photographs under other names, "old as new"
	Camera  bool     `json:"camera"`            // file of other contents
	Job     bool     `json:"job"`               // likewise
}

// None tells whether nothing changed that a measurement depends on.
func (c *Changes) None() bool {
	return len(c.Missing)+len(c.Changed)+len(c.Added) == 0 && !c.Camera && !c.Job
}

// Since compares with the files of an earlier measurement.
func (now *Inputs) Since(then *Inputs) *Changes {
	c := &Changes{Camera: now.Camera.SHA256 != then.Camera.SHA256, Job: now.Job.SHA256 != then.Job.SHA256}
	at := func(list []Input) map[string]string {
		out := map[string]string{}
		for _, f := range list {
			out[f.Path] = f.SHA256
		}
		return out
	}
	before, after := at(then.Photos), at(now.Photos)
	lost := map[string]string{} // by contents
	for _, f := range then.Photos {
		switch sum, there := after[f.Path]; {
		case !there:
			lost[f.SHA256] = f.Path
		case sum != f.SHA256:
			c.Changed = append(c.Changed, f.Path)
		}
	}
	for _, f := range now.Photos {
		if _, known := before[f.Path]; known {
			continue
		}
		if old, ok := lost[f.SHA256]; ok {
			c.Renamed = append(c.Renamed, old+" as "+f.Path)
			delete(lost, f.SHA256)
			continue
		}
		c.Added = append(c.Added, f.Path)
	}
	for _, path := range lost {
		c.Missing = append(c.Missing, path)
	}
	slices.Sort(c.Missing)
	return c
}

// Lines tells the changes, one sentence a kind.
func (c *Changes) Lines() (out []string) {
	for _, k := range []struct {
		what string
		list []string
	}{{"missing now", c.Missing}, {"of other contents now", c.Changed}, {"new since then", c.Added}, {"the same under another name", c.Renamed}} {
		if n := len(k.list); n > 0 {
			some, more := k.list, ""
			if n > 6 {
				some, more = k.list[:6], fmt.Sprintf(" and %d more", n-6)
			}
			out = append(out, fmt.Sprintf("photographs %s: %s%s", k.what, strings.Join(some, ", "), more))
		}
	}
	if c.Camera {
		out = append(out, "the camera file has changed since then")
	}
	if c.Job {
		out = append(out, JobFile+" has changed since then")
	}
	return out
}
