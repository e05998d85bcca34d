package devices

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"shimwright/session"
)

// Which serial ports are plugged in is read from the kernel's tree, without opening
// one: opening a port sets its lines and may reset what hangs on it.
//
//	/sys/class/tty/ttyUSB0/device ─► …/usb1/1-2/1-2:1.0/ttyUSB0   port_number
//	                                 …/usb1/1-2/1-2:1.0           bInterfaceNumber
//	                                 …/usb1/1-2                   idVendor idProduct serial manufacturer product
//
// A tty without device is a console or a pseudo-terminal. One whose type is 0 is a
// place on the board where no chip was found.
//
// The names below /dev/serial are made by the system when a device comes. Two alike
// adapters without serial numbers get one name, and the link points to whichever
// came last. So the names are worked out here from the tree as well: then both
// adapters have the name, and it is refused as ambiguous.

// A System is where the lister looks. Its zero value is the machine; tests give
// the folder of a tree as Root.
type System struct{ Root string }

// An Adapter is a serial port that is plugged in. What it does not tell is empty.
type Adapter struct {
	Device  string   // path of the device, such as /dev/ttyUSB0
	Vendor  string   // four hexadecimal digits
	Product string   // four hexadecimal digits
	Serial  string   // serial number
	Maker   string   // in its own words
	Model   string   // in its own words
	ByID    []string // names below /dev/serial/by-id: those there, and the one it should have
	ByPath  []string // names below /dev/serial/by-path, alike: they follow the socket
}

// How a port is named in a profile, besides by the path of a device.
const (
	byID     = "by-id:"
	bySerial = "serial:"
	byPath   = "by-path:"
)

// The folders of names that the system gives.
const (
	folderByID   = "/dev/serial/by-id/"
	folderByPath = "/dev/serial/by-path/"
)

// An Ambiguous says that several devices answer to the name of a port.
type Ambiguous struct {
	Port       string    // as in the profile
	Candidates []Adapter // at least two
}

// Error lists the candidates, each with a name that means no other, where it has one.
func (a *Ambiguous) Error() string {
	names := make([]string, len(a.Candidates))
	for i, c := range a.Candidates {
		names[i] = c.Device
		if only := a.only(c); only != "" {
			names[i] += " (" + only + ")"
		}
	}
	return fmt.Sprintf("%d devices are %s: %s; write the name of one as its port", len(names), a.Port, strings.Join(names, ", "))
}

// only is a name of one candidate that no other candidate has.
func (a *Ambiguous) only(c Adapter) string {
	unique := func(names func(Adapter) []string) string {
		for _, name := range names(c) {
			owners := 0
			for _, other := range a.Candidates {
				if slices.Contains(names(other), name) {
					owners++
				}
			}
			if owners == 1 {
				return name
			}
		}
		return ""
	}
	if name := unique(func(x Adapter) []string { return x.ByID }); name != "" {
		return byID + name
	}
	if name := unique(func(x Adapter) []string { return x.ByPath }); name != "" {
		return byPath + name
	}
	return ""
}

// List returns the serial ports that are plugged in, in order of device. It opens
// none of them. A port that goes while it looks is left out.
func (s System) List() ([]Adapter, error) {
	class := s.at("/sys/class/tty")
	ttys, err := os.ReadDir(class)
	if err != nil {
		return nil, fmt.Errorf("cannot list serial ports: %w", err)
	}
	ids, paths := s.links(folderByID), s.links(folderByPath)
	var all []Adapter
	for _, tty := range ttys {
		device, err := filepath.EvalSymlinks(filepath.Join(class, tty.Name(), "device"))
		if err != nil {
			continue
		}
		a := describe(device)
		if a.Vendor == "" && word(filepath.Join(class, tty.Name(), "type")) == "0" {
			continue
		}
		a.Device = s.at("/dev/" + tty.Name())
		a.ByID = join(ids[tty.Name()], a.ByID)
		a.ByPath = join(paths[tty.Name()], a.ByPath)
		all = append(all, a)
	}
	slices.SortFunc(all, func(a, b Adapter) int {
		return cmp.Or(cmp.Compare(len(a.Device), len(b.Device)), cmp.Compare(a.Device, b.Device))
	})
	return all, nil
}

func (s System) at(path string) string { return filepath.Join(cmp.Or(s.Root, "/"), path) }

// links maps the name of a device to the names that point to it.
func (s System) links(folder string) map[string][]string {
	names, err := os.ReadDir(s.at(folder))
	if err != nil {
		return nil // there are none before the first adapter comes
	}
	out := map[string][]string{}
	for _, n := range names {
		if to, err := os.Readlink(filepath.Join(s.at(folder), n.Name())); err == nil {
			out[filepath.Base(to)] = append(out[filepath.Base(to)], n.Name())
		}
	}
	return out
}

// join adds the names that are not there yet.
func join(names, more []string) []string {
	for _, m := range more {
		if !slices.Contains(names, m) {
			names = append(names, m)
		}
	}
	return names
}

// describe climbs from the folder of a port to that of its USB device.
func describe(port string) Adapter {
	var a Adapter
	number, face, socket := word(filepath.Join(port, "port_number")), "", ""
	for dir := port; len(dir) > 1; dir = filepath.Dir(dir) {
		if n := word(filepath.Join(dir, "bInterfaceNumber")); n != "" && face == "" {
			face, socket = n, filepath.Base(dir)
		}
		if a.Vendor = word(filepath.Join(dir, "idVendor")); a.Vendor == "" {
			continue
		}
		a.Product = word(filepath.Join(dir, "idProduct"))
		a.Serial = word(filepath.Join(dir, "serial"))
		a.Maker = word(filepath.Join(dir, "manufacturer"))
		a.Model = word(filepath.Join(dir, "product"))
		suffix := ""
		if number != "" {
			suffix = "-port" + number
		}
		if face != "" {
			a.ByID = []string{"usb-" + a.identity() + "-if" + face + suffix}
		}
		if host := hostOf(dir); host != "" && strings.Contains(socket, "-") {
			_, where, _ := strings.Cut(socket, "-")
			a.ByPath = []string{host + "-usb-0:" + where + suffix}
		}
		return a
	}
	return a
}

// identity is what an adapter calls itself, in one word.
func (a Adapter) identity() string {
	parts := []string{underscored(cmp.Or(a.Maker, a.Vendor)), underscored(cmp.Or(a.Model, a.Product))}
	if a.Serial != "" {
		parts = append(parts, underscored(a.Serial))
	}
	return strings.Join(parts, "_")
}

// underscored makes every character that a file name should not have an underscore, and
// blanks in a row one.
func underscored(text string) string {
	text = strings.Join(strings.Fields(text), "_")
	return strings.Map(func(r rune) rune {
		if r > 126 || strings.ContainsRune("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789#+-.:=@_", r) {
			return r
		}
		return '_'
	}, text)
}

// hostOf names the controller to which the socket of a USB device belongs.
func hostOf(usb string) string {
	pci := regexp.MustCompile(`^[0-9a-f]{4}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]$`)
	hub := regexp.MustCompile(`^usb[0-9]+$`)
	for dir := usb; len(dir) > 1; dir = filepath.Dir(dir) {
		if !hub.MatchString(filepath.Base(dir)) {
			continue
		}
		host := filepath.Base(filepath.Dir(dir))
		if pci.MatchString(host) {
			return "pci-" + host
		}
		return "platform-" + host
	}
	return ""
}

// word reads a file of one line; empty if it cannot be read.
func word(path string) string {
	text, err := os.ReadFile(path)
	if err != nil {
		return ""
	}
	line, _, _ := strings.Cut(string(text), "\n")
	return strings.TrimSpace(line)
}

// Find returns the device that a port means now: the port itself if it is the path
// of a device, else the one device with that name or serial number. The error is an
// *Ambiguous if there are several, and wraps fs.ErrNotExist if there is none.
func (s System) Find(port string) (string, error) {
	has := meaning(port)
	if has == nil {
		return port, nil
	}
	all, err := s.List()
	if err != nil {
		return "", err
	}
	found := slices.DeleteFunc(all, func(a Adapter) bool { return !has(a) })
	switch len(found) {
	case 0:
		return "", fmt.Errorf("cannot find port %q: %w", port, fs.ErrNotExist)
	case 1:
		return found[0].Device, nil
	}
	return "", &Ambiguous{Port: port, Candidates: found}
}

// meaning returns what tells the adapters that a port means; nil if it is a path.
// The links below /dev/serial are taken as the names that they are.
func meaning(port string) func(Adapter) bool {
	for _, folder := range []struct{ path, prefix string }{{folderByID, byID}, {folderByPath, byPath}} {
		if name, ok := strings.CutPrefix(port, folder.path); ok {
			port = folder.prefix + name
		}
	}
	if name, ok := strings.CutPrefix(port, byID); ok {
		return func(a Adapter) bool { return slices.Contains(a.ByID, name) }
	}
	if name, ok := strings.CutPrefix(port, byPath); ok {
		return func(a Adapter) bool { return slices.Contains(a.ByPath, name) }
	}
	if number, ok := strings.CutPrefix(port, bySerial); ok {
		return func(a Adapter) bool { return number != "" && a.Serial == number }
	}
	return nil
}

// Open opens the port of a profile, whatever device it is now, empties its input,
// and makes sure that no other device took the name meanwhile. It is an Opener.
func (s System) Open(p session.Profile) (Port, error) {
	device, err := s.Find(p.Port)
	if err != nil {
		return nil, err
	}
	port, err := openSerial(device, p.Line)
	if err != nil || device == p.Port {
		return port, err
	}
	again, err := s.Find(p.Port)
	if err == nil && again != device {
		err = fmt.Errorf("cannot open port %q: it was %s and became %s meanwhile", p.Port, device, again)
	}
	if err != nil {
		_ = port.Close() // the first error says why
		return nil, err
	}
	return &found{Port: port, device: device}, nil
}

// A found is a port that was named by its identity, and the device that it is.
type found struct {
	Port
	device string
}

// Closed tells whether a modem-status line is set.
func (f *found) Closed(l Line) (bool, error) {
	lines, ok := f.Port.(modem)
	if !ok {
		return false, errors.New("the port has no modem-status lines")
	}
	return lines.Closed(l)
}

// Device is the path of the device.
func (f *found) Device() string { return f.device }
