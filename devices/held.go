package devices

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"syscall"

	"golang.org/x/sys/unix"
)

// A Holder is a process that has a device open.
type Holder struct {
	Process int
	Program string // its short name
}

// Holders returns the other processes that have a device open, and how many
// processes it could not look into.
func (s System) Holders(device string) (holders []Holder, unseen int) {
	real, err := filepath.EvalSymlinks(device)
	if err != nil {
		return nil, 0 // what is not there nobody holds
	}
	processes, _ := filepath.Glob(s.at("/proc/[0-9]*")) // the pattern is sound
	for _, dir := range processes {
		number, err := strconv.Atoi(filepath.Base(dir))
		if err != nil || number == os.Getpid() {
			continue
		}
		holds, err := holdsFile(dir, real)
		switch {
		case errors.Is(err, fs.ErrPermission):
			unseen++
		case holds:
			holders = append(holders, Holder{Process: number, Program: word(filepath.Join(dir, "comm"))})
		}
	}
	slices.SortFunc(holders, func(a, b Holder) int { return a.Process - b.Process })
	return holders, unseen
}

func holdsFile(process, file string) (bool, error) {
	handles, err := os.ReadDir(filepath.Join(process, "fd"))
	if err != nil {
		return false, err
	}
	for _, h := range handles {
		if to, err := os.Readlink(filepath.Join(process, "fd", h.Name())); err == nil && to == file {
			return true, nil
		}
	}
	return false, nil
}

// Barred says why this process may not open a device, and the command that mends
// it. Both are empty if it may, and also if the device is not there.
func Barred(device string) (why, command string) {
	err := unix.Faccessat(unix.AT_FDCWD, device, unix.R_OK|unix.W_OK, unix.AT_EACCESS)
	if err == nil || !errors.Is(err, fs.ErrPermission) {
		return "", ""
	}
	info, err := os.Stat(device)
	if err != nil {
		return "", ""
	}
	b := bar{device: device, mode: info.Mode(), user: strconv.Itoa(os.Geteuid())}
	if stat, ok := info.Sys().(*syscall.Stat_t); ok {
		b.groupID = strconv.Itoa(int(stat.Gid))
	}
	b.group = b.groupID
	if g, err := user.LookupGroupId(b.groupID); err == nil {
		b.group = g.Name
	}
	if u, err := user.LookupId(b.user); err == nil {
		b.user = u.Username
		groups, _ := u.GroupIds() // a user in no known group is in none
		b.member = slices.Contains(groups, b.groupID)
	}
	return b.mend()
}

// A bar is what is known of a device that may not be opened.
type bar struct {
	device  string
	mode    fs.FileMode
	user    string
	group   string
	groupID string
	member  bool // the user is in the group, though this process is not
}

// mend says what is wrong and the command for it. A user is never added to the
// group of root.
func (b bar) mend() (why, command string) {
	const both = 0o060
	switch {
	case b.mode&both != both || b.groupID == "0":
		return fmt.Sprintf("only its owner may open %s", b.device),
			fmt.Sprintf("sudo chgrp dialout %s && sudo chmod g+rw %s", b.device, b.device)
	case b.member:
		return fmt.Sprintf("user %s came into group %s after the daemon was started", b.user, b.group),
			"log out and in again, then start the daemon again"
	}
	return fmt.Sprintf("user %s is not in group %s, which may open %s", b.user, b.group, b.device),
		fmt.Sprintf("sudo usermod -a -G %s %s, then log out and in again and start the daemon again", b.group, b.user)
}
