// Package plans holds the example plans, for the demo and for tests.
package plans

import "embed"

// Files are the plans in this folder, and in words the catalogues of their words.
//
//go:embed *.toml shared/*.toml words/*.json
var Files embed.FS
