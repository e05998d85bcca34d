package sqlite

import "path/filepath"

// DefaultFolder is where a daemon keeps its log if its configuration does not say:
// shimwright in the user's state directory, or a folder beside the one it was
// started in if the environment names none. getenv is os.Getenv.
func DefaultFolder(getenv func(string) string) string {
	if dir := getenv("XDG_STATE_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "shimwright")
	}
	if home := getenv("HOME"); filepath.IsAbs(home) {
		return filepath.Join(home, ".local", "state", "shimwright")
	}
	return "shimwright-data"
}

// PathOf is the path of a bench's log in a folder.
func PathOf(folder, bench string) string { return filepath.Join(folder, bench+".log.db") }
