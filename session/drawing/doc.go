// Package drawing draws the section of a chain from a snapshot, as SVG.
//
// The section runs along the shaft axis. Its two ends are the seats that the
// shaft runs against. Terms that add to the gap make the room between them, from
// left to right: a case part at either end, everything else, such as a gasket,
// between. Terms that take from the gap fill the room: the shaft with its
// shoulders, and rings beside it. What is left over is the gap, where the shims
// go. So any plan can be drawn, and nothing here knows an engine.
//
// The drawing is a scheme: parts have fixed proportions, which do not jump while
// values come in. Only shims and end float are drawn to one scale, exaggerated,
// so that their thicknesses can be compared by eye.
//
// Every function is pure and gives the same bytes for the same snapshot. Colours
// follow the reader's light or dark setting by a media query inside the picture.
// Names from plans are escaped, and shortened where there is no room for them.
package drawing
