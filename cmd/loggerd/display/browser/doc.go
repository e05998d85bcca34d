// Package browser drives Debian's chromium for the tests of the display, under the
// build tag outside. Without chromium they fail.
package browser
