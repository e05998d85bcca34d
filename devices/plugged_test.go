package devices

import (
	"context"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/session"
)

// plant makes the tree of testdata/trees/NAME.tree in a folder of its own. Each
// line is "path = text" or "path -> target of a link".
func plant(t *testing.T, name string) System {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", "trees", name+".tree"))
	require.NoError(t, err)
	root := t.TempDir()
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSuffix(line, "\n")
		if strings.HasPrefix(line, "#") {
			continue
		}
		if path, target, ok := strings.Cut(line, " -> "); ok {
			lay(t, root, path)
			require.NoError(t, os.Symlink(target, filepath.Join(root, path)))
			continue
		}
		path, content, ok := strings.Cut(line, " = ")
		require.True(t, ok, line)
		lay(t, root, path)
		require.NoError(t, os.WriteFile(filepath.Join(root, path), []byte(content+"\n"), 0o600))
	}
	return System{Root: root}
}

func lay(t *testing.T, root, path string) {
	require.NoError(t, os.MkdirAll(filepath.Join(root, filepath.Dir(path)), 0o700))
}

// What stands in the kernel's tree, and the names that the system makes of it, are
// described from memory of a Linux machine's /sys and /dev/serial.
func TestListOfABench(t *testing.T) {
	s := plant(t, "bench")
	got, err := s.List()
	require.NoError(t, err)
	dev := func(name string) string { return filepath.Join(s.Root, "dev", name) }
	assert.Equal(t, []Adapter{
		{Device: dev("ttyS0")},
		{Device: dev("ttyACM0"), Vendor: "f055", Product: "0002", Serial: "77", Maker: "Pump Bench", Model: "Depth Probe",
			ByID: []string{"usb-Pump_Bench_Depth_Probe_77-if02"}, ByPath: []string{"pci-0000:00:14.0-usb-0:3:1.2"}},
		{Device: dev("ttyUSB0"), Vendor: "f055", Product: "0001", Serial: "A1001", Maker: "Pump Bench", Model: "Serial Cable",
			ByID: []string{"usb-Pump_Bench_Serial_Cable_A1001-if00-port0"}, ByPath: []string{"pci-0000:00:14.0-usb-0:1:1.0-port0"}},
		{Device: dev("ttyUSB1"), Vendor: "f055", Product: "0001", Serial: "A1002", Maker: "Pump Bench", Model: "Serial  Cable, long",
			ByID: []string{"usb-Pump_Bench_Serial_Cable__long_A1002-if00-port0"}, ByPath: []string{"pci-0000:00:14.0-usb-0:2.3:1.0-port0"}},
	}, got)
}

func TestFind(t *testing.T) {
	const pathOf = "by-path:pci-0000:00:14.0-usb-0:%s-port0"
	for _, c := range []struct{ tree, port, want string }{
		{"bench", "by-id:usb-Pump_Bench_Serial_Cable_A1001-if00-port0", "ttyUSB0"},
		{"bench", "/dev/serial/by-id/usb-Pump_Bench_Serial_Cable_A1001-if00-port0", "ttyUSB0"},
		{"bench", "/dev/serial/by-path/pci-0000:00:14.0-usb-0:3:1.2", "ttyACM0"},
		{"bench", "serial:A1002", "ttyUSB1"},
		{"bench", "serial:A100", "absent"},
		{"bench", "serial:", "absent"}, // the port on the board has none, and is not meant
		{"bench", fmt.Sprintf(pathOf, "2.3:1.0"), "ttyUSB1"},
		{"bench", fmt.Sprintf(pathOf, "2.4:1.0"), "absent"},
		{"bench", "/dev/ttyUSB9", "/dev/ttyUSB9"}, // a path is what it is
		{"alike", fmt.Sprintf(pathOf, "1:1.0"), "ttyUSB0"},
		{"alike", fmt.Sprintf(pathOf, "2:1.0"), "ttyUSB1"},
		{"alike", "by-id:usb-Pump_Bench_Serial_Cable-if00-port0",
			"2 devices are by-id:usb-Pump_Bench_Serial_Cable-if00-port0: ttyUSB0 (by-path:pci-0000:00:14.0-usb-0:1:1.0-port0), ttyUSB1 (by-path:pci-0000:00:14.0-usb-0:2:1.0-port0); write the name of one as its port"},
		{"one-number", "serial:0001",
			"3 devices are serial:0001: ttyUSB0 (by-id:usb-Pump_Bench_Serial_Cable_0001-if00-port0), ttyUSB1 (by-path:pci-0000:00:14.0-usb-0:2:1.0-port0), ttyUSB2 (by-path:pci-0000:00:14.0-usb-0:3:1.0-port0); write the name of one as its port"},
		{"one-number", "by-id:usb-Pump_Bench_Serial_Cable_0001-if00-port0", "ttyUSB0"},
		{"double", "serial:D9",
			"2 devices are serial:D9: ttyUSB0 (by-id:usb-Pump_Bench_Serial_Cable_D9-if00-port0), ttyUSB1 (by-id:usb-Pump_Bench_Serial_Cable_D9-if01-port0); write the name of one as its port"},
		{"double", "by-id:usb-Pump_Bench_Serial_Cable_D9-if01-port0", "ttyUSB1"},
		{"small-board", "by-id:usb-f055_0001-if00-port0", "ttyUSB7"},
		{"small-board", "by-path:platform-fe9c0000.usb-usb-0:1:1.0-port0", "ttyUSB7"},
		{"empty", "serial:A1001", "absent"},
	} {
		t.Run(c.tree+" "+strings.ReplaceAll(c.port, "/", "|"), func(t *testing.T) {
			s := plant(t, c.tree)
			got, err := s.Find(c.port)
			if err == nil {
				assert.Equal(t, c.want, strings.TrimPrefix(got, s.at("/dev")+"/"))
				return
			}
			if c.want == "absent" {
				assert.ErrorIs(t, err, fs.ErrNotExist)
				state, _ := refusal(err)
				assert.Equal(t, session.PortAbsent, state)
				return
			}
			assert.Equal(t, c.want, strings.ReplaceAll(err.Error(), s.at("/dev")+"/", ""))
			state, _ := refusal(err)
			assert.Equal(t, session.PortRefused, state)
		})
	}
}

func TestListWithoutATree(t *testing.T) {
	_, err := System{Root: t.TempDir()}.List()
	assert.ErrorIs(t, err, fs.ErrNotExist)
	_, err = System{}.List() // whatever this machine has, it is listed
	assert.NoError(t, err)
}

// A tree is a machine in a folder, where cables are put into sockets and pulled.
type tree struct {
	System
	t *testing.T
}

func newTree(t *testing.T) *tree {
	root := t.TempDir()
	require.NoError(t, os.MkdirAll(filepath.Join(root, "sys/class/tty"), 0o700))
	require.NoError(t, os.MkdirAll(filepath.Join(root, "dev"), 0o700))
	return &tree{System{Root: root}, t}
}

// put makes the device of a simulated cable appear: in a socket, under a name.
func (m *tree) put(tty, socket, serial, pts string) {
	usb := filepath.Join("sys/devices/pci0000:00/0000:00:14.0/usb1", "1-"+socket)
	face := filepath.Join(usb, "1-"+socket+":1.0")
	node := filepath.Join(face, tty)
	require.NoError(m.t, os.MkdirAll(filepath.Join(m.Root, node), 0o700))
	for file, text := range map[string]string{usb + "/idVendor": "f055", usb + "/idProduct": "0001", usb + "/serial": serial,
		face + "/bInterfaceNumber": "00", node + "/port_number": "0"} {
		require.NoError(m.t, os.WriteFile(filepath.Join(m.Root, file), []byte(text+"\n"), 0o600))
	}
	require.NoError(m.t, os.Symlink(pts, filepath.Join(m.Root, "dev", tty)))
	require.NoError(m.t, os.MkdirAll(filepath.Join(m.Root, "sys/class/tty", tty), 0o700))
	require.NoError(m.t, os.Symlink(filepath.Join(m.Root, node), filepath.Join(m.Root, "sys/class/tty", tty, "device")))
}

// pull makes the device of a name disappear.
func (m *tree) pull(tty string) {
	node, err := os.Readlink(filepath.Join(m.Root, "sys/class/tty", tty, "device"))
	require.NoError(m.t, err)
	require.NoError(m.t, os.RemoveAll(filepath.Join(m.Root, "sys/class/tty", tty)))
	require.NoError(m.t, os.RemoveAll(filepath.Join(m.Root, "dev", tty)))
	require.NoError(m.t, os.RemoveAll(filepath.Dir(filepath.Dir(node))))
}

// A cable that comes back under another name is found, and soon; what another
// instrument sends under the old name is not taken for it.
func TestFoundUnderAnotherName(t *testing.T) {
	m := newTree(t)
	p := exampleCaliper()
	sim, err := Simulate(p)
	require.NoError(t, err)
	other, err := Simulate(p)
	require.NoError(t, err)
	defer func() { assert.NoError(t, sim.Close()); assert.NoError(t, other.Close()) }()
	m.put("ttyUSB0", "1", "A1", sim.Profile().Port)
	p.Port = "serial:A1"
	h := &heard{}
	in, err := New(Config{Profile: p, Clock: realClock{time.Now()}, Sink: h.sink(), Open: m.Open})
	require.NoError(t, err)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- in.Run(ctx) }()
	defer func() { stop(); assert.NoError(t, <-ended) }()
	eventually(t, func() bool { return h.state() == "live" })
	assert.Equal(t, "as "+m.at("/dev/ttyUSB0"), h.heardLast().Detail)

	require.NoError(t, sim.Unplug())
	m.pull("ttyUSB0")
	m.put("ttyUSB0", "2", "B2", other.Profile().Port)
	eventually(t, func() bool { return h.state() == "absent" })
	require.NoError(t, other.Press(decimals(999, 2)))
	require.NoError(t, sim.Plug())
	m.put("ttyUSB1", "3", "A1", sim.Profile().Port)
	back := time.Now()
	eventually(t, func() bool { return h.state() == "live" })
	t.Logf("live %s after its return", time.Since(back).Round(time.Millisecond))
	require.NoError(t, sim.Press(decimals(1234, 2)))
	eventually(t, func() bool { return len(h.values()) == 1 })
	assert.Equal(t, []string{"12.34"}, h.values())
}

// The longest that a cable which is back can wait: the longest pause between two
// openings and the settling. The aim is 2 s.
func TestBackInTime(t *testing.T) {
	assert.Less(t, lastRetry+settleTime, 2*time.Second)
	c := newCable()
	r := newRig(t, exampleCaliper(), refuse(fs.ErrNotExist))
	for range 12 { // long away
		r.lapse()
	}
	away := r.sofar()
	r.insert(give(c))
	for r.state() != string(session.PortLive) {
		r.lapse()
	}
	assert.Less(t, r.sofar()-away, 2*time.Second)
}

// lapse lets the time pass until something is due, once something is.
func (r *rig) lapse() {
	eventually(r.t, func() bool { return len(r.waiting()) > 0 || r.state() == string(session.PortLive) })
	if w := r.waiting(); len(w) > 0 {
		r.pass(w[0])
	}
}

func (f *fakeTime) sofar() time.Duration {
	_, now := f.Now()
	return now
}

// A device that takes the name between finding and opening is not read.
func TestNameTakenMeanwhile(t *testing.T) {
	m := newTree(t)
	p := exampleCaliper()
	sim, err := Simulate(p)
	require.NoError(t, err)
	defer func() { assert.NoError(t, sim.Close()) }()
	m.put("ttyUSB0", "1", "A1", sim.Profile().Port)
	p.Port = "serial:A1"
	port, err := m.Open(p)
	require.NoError(t, err)
	require.NoError(t, port.Close())
	m.put("ttyUSB1", "2", "A1", sim.Profile().Port)
	_, err = m.Open(p)
	var ambiguous *Ambiguous
	require.ErrorAs(t, err, &ambiguous)
	assert.Len(t, ambiguous.Candidates, 2)
}

// No tree, however broken, makes the lister panic or find a port without its name.
func TestBrokenTrees(t *testing.T) {
	dice := rand.New(rand.NewPCG(3, 9))
	for range 60 {
		s := plant(t, "bench")
		var files []string
		require.NoError(t, filepath.WalkDir(s.Root, func(path string, _ fs.DirEntry, _ error) error {
			files = append(files, path)
			return nil
		}))
		for range 1 + dice.IntN(5) {
			require.NoError(t, os.RemoveAll(files[1+dice.IntN(len(files)-1)]))
		}
		all, err := s.List()
		if err != nil {
			continue
		}
		for _, a := range all {
			if a.Serial != "" {
				device, err := s.Find(bySerial + a.Serial)
				require.NoError(t, err)
				assert.Equal(t, a.Device, device)
			}
		}
	}
}
