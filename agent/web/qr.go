package web

import (
	"fmt"
	"html/template"
	"strings"

	"rsc.io/qr"
)

// quiet is the empty margin around a QR code, in modules (ISO/IEC 18004: four).
const quiet = 4

// qrCode draws a text as a QR code of medium error correction, as an SVG that is part of the page. It is empty where the text is
// too long for one.
func qrCode(text string) template.HTML {
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return ""
	}
	var path strings.Builder
	for y := range code.Size {
		for x := 0; x < code.Size; x++ {
			n := 0
			for code.Black(x+n, y) { // outside of the code all is white
				n++
			}
			if n > 0 {
				fmt.Fprintf(&path, "M%d %dh%dv1h-%dz", x+quiet, y+quiet, n, n)
				x += n
			}
		}
	}
	side := code.Size + 2*quiet
	return template.HTML(fmt.Sprintf( //nolint:gosec // numbers and our own text
		`<svg class="qr" viewBox="0 0 %d %d" role="img" aria-label="QR code of this ticket's page" shape-rendering="crispEdges"><path class="qrpaper" d="M0 0h%dv%dH0z"/><path class="qrink" d="%s"/></svg>`,
		side, side, side, side, path.String()))
}
