package devices

import (
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Another program that has the port is found, by the same kernel's tree that
// holds every process.
func TestHolders(t *testing.T) {
	sim, err := Simulate(linked(t, exampleCaliper()))
	require.NoError(t, err)
	defer func() { assert.NoError(t, sim.Close()) }()
	port := sim.Profile().Port
	none, _ := System{}.Holders(port)
	assert.Empty(t, none, "what this process has open itself is not another's")

	other := exec.Command("sh", "-c", `exec 3<>"$0"; echo open; read line`, port)
	keys, err := other.StdinPipe()
	require.NoError(t, err)
	said, err := other.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, other.Start())
	_, err = said.Read(make([]byte, 8))
	require.NoError(t, err)
	holders, _ := System{}.Holders(port)
	assert.Equal(t, []Holder{{other.Process.Pid, "sh"}}, holders)
	require.NoError(t, keys.Close())
	_ = other.Wait() // it ends when its input does
	gone, _ := System{}.Holders(port)
	assert.Empty(t, gone)
	nothing, unseen := System{}.Holders("/dev/does-not-exist")
	assert.Empty(t, nothing)
	assert.Zero(t, unseen)
}

func TestHoldersInATree(t *testing.T) {
	s := System{Root: t.TempDir()}
	device := filepath.Join(t.TempDir(), "port")
	require.NoError(t, os.WriteFile(device, nil, 0o600))
	device, err := filepath.EvalSymlinks(device)
	require.NoError(t, err)
	for _, p := range []struct {
		process int
		program string
		open    string
	}{{4711, "terminal", device}, {12, "editor", "/dev/null"}, {99, "logger", device}} {
		dir := s.at(fmt.Sprintf("/proc/%d", p.process))
		require.NoError(t, os.MkdirAll(filepath.Join(dir, "fd"), 0o700))
		require.NoError(t, os.WriteFile(filepath.Join(dir, "comm"), []byte(p.program+"\n"), 0o600))
		require.NoError(t, os.Symlink(p.open, filepath.Join(dir, "fd", "5")))
	}
	require.NoError(t, os.MkdirAll(s.at("/proc/13"), 0o700)) // it ended meanwhile
	holders, unseen := s.Holders(device)
	assert.Equal(t, []Holder{{99, "logger"}, {4711, "terminal"}}, holders)
	assert.Zero(t, unseen)
}

func TestWhatBarsADevice(t *testing.T) {
	for _, c := range []struct {
		bar          bar
		why, command string
	}{
		{bar{mode: 0o660, user: "ada", group: "dialout", groupID: "20"}, "user ada is not in group dialout, which may open /dev/ttyUSB0",
			"sudo usermod -a -G dialout ada, then log out and in again and start the daemon again"},
		{bar{mode: 0o660, user: "ada", group: "dialout", groupID: "20", member: true}, "user ada came into group dialout after the daemon was started",
			"log out and in again, then start the daemon again"},
		{bar{mode: 0o600, user: "ada", group: "dialout", groupID: "20"}, "only its owner may open /dev/ttyUSB0",
			"sudo chgrp dialout /dev/ttyUSB0 && sudo chmod g+rw /dev/ttyUSB0"},
		{bar{mode: 0o660, user: "ada", group: "root", groupID: "0"}, "only its owner may open /dev/ttyUSB0",
			"sudo chgrp dialout /dev/ttyUSB0 && sudo chmod g+rw /dev/ttyUSB0"},
	} {
		c.bar.device = "/dev/ttyUSB0"
		why, command := c.bar.mend()
		assert.Equal(t, c.why, why)
		assert.Equal(t, c.command, command)
		assert.False(t, strings.Contains(command, "-G root"), "nobody becomes one of root's group")
	}
}

// A file that this process may open bars nothing; whether one without rights does
// depends on who runs the test.
func TestBarred(t *testing.T) {
	file := filepath.Join(t.TempDir(), "port")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	why, command := Barred(file)
	assert.Empty(t, why+command)
	why, command = Barred(file + "-not-there")
	assert.Empty(t, why+command)
	require.NoError(t, os.Chmod(file, fs.FileMode(0)))
	why, command = Barred(file)
	if os.Geteuid() == 0 {
		assert.Empty(t, why+command, "root may open anything")
		return
	}
	assert.Contains(t, why, "only its owner")
	assert.Contains(t, command, "chmod g+rw "+file)
}
