package chart

import "strings"

// Bar shows a value against a limit: a filled track with a mark where the limit lies.
type Bar struct {
	// Title is read out instead of the image.
	Title string
	// Value is drawn from zero, Limit is positive.
	Value, Limit  float64
	Width, Height int
}

// limitAt is the share of the track at which the limit lies; the rest is room to exceed it.
const limitAt = 0.8

// SVG draws the bar. A value over the limit fills the bar in the class "over"; a value that is not
// finite or below zero draws none.
func (r Bar) SVG() string {
	var b strings.Builder
	open(&b, "bar", r.Title, r.Width, r.Height)
	w, h := float64(r.Width), float64(r.Height)
	rect := func(class string, x, y, width, height float64) {
		b.WriteString(`<rect class="` + class + `" x="` + coord(x) + `" y="` + coord(y) + `" width="` + coord(width) + `" height="` + coord(height) + `"/>`)
	}
	rect("track", 0, h/4, w, h/2)
	if share := r.Value / r.Limit; finite(share) && r.Limit > 0 && share > 0 {
		class := "fill"
		if share >= 1 {
			class = "fill over"
		}
		rect(class, 0, h/4, w*min(share*limitAt, 1), h/2)
	}
	rect("limit", w*limitAt-0.75, 0, 1.5, h)
	b.WriteString(`</svg>`)
	return b.String()
}
