// Package plans holds the example plans, for the demo and for tests.
package plans

import (
	"embed"
	"io/fs"
)

// Files are the plans in this folder, and in words the catalogues of their words.
//
//go:embed *.toml shared/*.toml words/*.json
var Files embed.FS

// Words are the catalogues of the plans' words, for wording.Load.
func Words() fs.FS {
	words, err := fs.Sub(Files, "words")
	if err != nil {
		panic(err) // the name is sound
	}
	return words
}
