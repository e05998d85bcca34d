package main

import (
	"cmp"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"shimwright/calc"
	"shimwright/cmd/loggerd/control"
	"shimwright/devices"
	"shimwright/session"
)

// An outfit is what a daemon has beyond its configuration.
type outfit struct {
	system devices.System // where ports are looked for; the machine unless in a test
	record string         // the folder of captures; empty for none
	config string         // the file that the configuration was read from; empty for none
	newKey string         // why the log gets a new key; empty if it keeps its own
}

// heardQueue is how much a slow listener may be behind.
const heardQueue = 256

// A portFace answers the control socket about ports and instruments.
type portFace struct{ d *daemon }

// Ports lists what is plugged in, and the ports of profiles that are not.
func (f portFace) Ports() (control.PortList, error) {
	adapters, err := f.d.outfit.system.List()
	if err != nil {
		return control.PortList{}, err
	}
	var list control.PortList
	bound := map[string]bool{}
	for _, a := range adapters {
		v := control.PortView{Device: a.Device, Vendor: a.Vendor, Product: a.Product, Maker: a.Maker, Model: a.Model, Names: namesOf(a, adapters)}
		for _, p := range f.d.profiles() {
			if device, err := f.d.outfit.system.Find(p.Port); p.Port != "" && err == nil && sameFile(device, a.Device) {
				f.bind(&v, p)
				bound[p.Name] = true
			}
		}
		f.inspect(&v, &list)
		list.Ports = append(list.Ports, v)
	}
	for _, p := range f.d.profiles() {
		if p.Port == "" || bound[p.Name] {
			continue
		}
		var v control.PortView
		f.bind(&v, p)
		device, err := f.d.outfit.system.Find(p.Port)
		if err == nil {
			v.Device = device
			f.inspect(&v, &list)
		}
		list.Ports = append(list.Ports, v)
	}
	return list, nil
}

// bind notes the instrument of a port, and how it is.
func (f portFace) bind(v *control.PortView, p session.Profile) {
	v.Instrument, v.Bound = p.Name, p.Port
	if in := f.d.instrument(p.Name); in != nil {
		h := in.Health()
		v.State, v.Detail = h.Port.State, h.Port.Detail
	}
}

// inspect finds who holds a port and what hinders its opening.
func (f portFace) inspect(v *control.PortView, list *control.PortList) {
	holders, unseen := f.d.outfit.system.Holders(v.Device)
	for _, h := range holders {
		v.HeldBy = append(v.HeldBy, control.PortHolder{Process: h.Process, Program: h.Program})
	}
	list.Unseen = max(list.Unseen, unseen)
	v.Problem, v.Mend = devices.Barred(v.Device)
}

// namesOf lists what a profile can call an adapter so that no other is meant: by
// its serial number, its name, its socket.
func namesOf(a devices.Adapter, all []devices.Adapter) []string {
	var names []string
	only := func(prefix string, mine []string, of func(devices.Adapter) []string) {
		for _, name := range mine {
			owners := 0
			for _, other := range all {
				if slices.Contains(of(other), name) {
					owners++
				}
			}
			if owners == 1 {
				names = append(names, prefix+name)
			}
		}
	}
	number := func(x devices.Adapter) []string {
		if x.Serial == "" {
			return nil
		}
		return []string{x.Serial}
	}
	only("by-id:", a.ByID, func(x devices.Adapter) []string { return x.ByID })
	only("serial:", number(a), number)
	only("by-path:", a.ByPath, func(x devices.Adapter) []string { return x.ByPath })
	return names
}

// sameFile tells whether two paths are one device.
func sameFile(a, b string) bool {
	realA, errA := filepath.EvalSymlinks(a)
	realB, errB := filepath.EvalSymlinks(b)
	return errA == nil && errB == nil && realA == realB
}

// Listen gives what happens at an instrument.
func (f portFace) Listen(name string) (<-chan control.Heard, func(), bool) {
	in := f.d.instrument(name)
	if in == nil {
		return nil, nil, false
	}
	heard, stop := in.Listen(heardQueue)
	profiles := f.d.profiles()
	i := slices.IndexFunc(profiles, func(p session.Profile) bool { return p.Name == name })
	stream := profiles[i].Trigger == session.Streaming
	out := make(chan control.Heard)
	done := make(chan struct{})
	go relay(heard, out, done, stream)
	return out, func() { stop(); close(done) }, true
}

// relay turns what was heard into what the socket sends.
func relay(heard <-chan devices.Heard, out chan<- control.Heard, done <-chan struct{}, stream bool) {
	defer close(out)
	var window devices.Window
	var next time.Duration // when the movement is worked out again
	for h := range heard {
		v := view(h)
		if stream && h.Frame != nil && h.Frame.Text != "" {
			window.Add(h.Frame.Value.Decimal)
			if h.Mono >= next {
				v.Movement, next = movement(&window), h.Mono+time.Second
			}
		}
		select {
		case out <- v:
		case <-done:
			return
		}
	}
}

// movement reduces a window, spikes of one value removed; nil with fewer than three.
func movement(window *devices.Window) *control.Movement {
	values, lost := window.Values()
	m, err := calc.Movement(values, 3)
	if err != nil {
		return nil
	}
	return &control.Movement{Frames: len(values), Forgotten: lost, Peak: session.Num(m.Peak), Trough: session.Num(m.Trough), Movement: session.Num(m.Movement)}
}

func view(h devices.Heard) control.Heard {
	v := control.Heard{At: h.At, Mono: h.Mono, Lost: h.Lost}
	switch {
	case h.Bytes != nil:
		v.What, v.Raw, v.Bytes = "bytes", h.Bytes, len(h.Bytes)
		if h.Unread {
			v.What = "unread bytes"
		}
	case h.Take:
		v.What = "take"
	case h.Gather != "":
		v.What, v.Text = "window", h.Gather
	case h.Frame != nil:
		v.What, v.Raw, v.Bytes, v.Fault, v.Other = "frame", h.Frame.Raw, h.Frame.Bytes, h.Frame.Fault, h.Frame.Other
		v.Text, v.Unit = h.Frame.Text, h.Frame.Unit
		if v.Text != "" {
			v.Set(&h.Frame.Value, v.Unit)
		}
	case h.Reading != nil:
		v.What, v.Text, v.Unit = "reading", h.Reading.Text, h.Reading.Unit
		if h.Reading.Fault != nil {
			v.Fault, v.Bytes = h.Reading.Fault.Code+": "+h.Reading.Fault.Detail, h.Reading.Fault.Bytes
		} else if h.Reading.Kind != session.Pedal {
			v.Set(&h.Reading.Value, v.Unit)
		}
	case h.Port != nil:
		v.What, v.Port = "port", h.Port
	}
	return v
}

// Learn opens a port that no profile has.
func (f portFace) Learn(of session.Profile) (<-chan control.Heard, func(), error) {
	port := of.Port
	device, err := f.d.outfit.system.Find(port)
	if err != nil {
		return nil, nil, err
	}
	for _, p := range f.d.profiles() {
		if mine, err := f.d.outfit.system.Find(p.Port); p.Port != "" && err == nil && sameFile(mine, device) {
			return nil, nil, &session.Refusal{Code: "port in use", Message: "port " + port + " is that of instrument " + p.Name,
				Instead: "take that instrument out of the configuration, or give another port", Params: map[string]string{"instrument": p.Name, "port": port}}
		}
	}
	heard, stop, err := f.d.outfit.system.Listen(of, f.d.clock, heardQueue)
	if err != nil {
		return nil, nil, err
	}
	out := make(chan control.Heard, 1)
	out <- control.Heard{What: "port", Port: &session.PortChanged{State: session.PortLive, Port: port}}
	done := make(chan struct{})
	go relay(heard, out, done, false)
	return out, func() { stop(); close(done) }, nil
}

// Propose finds the profiles that read what was pressed.
func (f portFace) Propose(p control.Pressed) ([]control.Proposal, error) {
	presses := make([]devices.Press, len(p.Presses))
	for i, press := range p.Presses {
		n, err := session.ParseNumber(press.Text)
		if err != nil {
			return nil, err
		}
		presses[i] = devices.Press{Raw: press.Raw, Shown: n, Unit: cmp.Or(press.Unit, p.Kind.Quantity().Unit())}
	}
	found, err := devices.Propose(p.Profile(), presses)
	if err != nil {
		return nil, err
	}
	var out []control.Proposal
	for _, x := range found {
		out = append(out, control.Proposal{Profile: x.Profile, Form: x.Form, Notes: x.Notes, TOML: devices.WriteProfile(x.Profile), Tried: tried(x.Profile, p.Try)})
	}
	return out, nil
}

// tried says what a profile reads of bytes.
func tried(p session.Profile, raw []byte) string {
	if len(raw) == 0 {
		return ""
	}
	p.Trigger, p.Request = session.OnPress, ""
	d, err := devices.NewDecoder(p)
	if err != nil {
		return err.Error()
	}
	read := append(d.Feed(raw, time.Time{}, time.Second), d.Silence(time.Time{}, time.Minute)...)
	switch {
	case len(read) == 0:
		return "nothing"
	case read[0].Fault != nil:
		return read[0].Fault.Code + ": " + read[0].Fault.Detail
	}
	return unfilled(read[0].Text) + " " + read[0].Unit.Word()
}

// unfilled takes off the noughts that fill a number up.
func unfilled(number string) string {
	digits := strings.TrimLeft(number, "+-")
	sign := strings.TrimSuffix(strings.TrimSuffix(number, digits), "+")
	for len(digits) > 1 && digits[0] == '0' && digits[1] != '.' {
		digits = digits[1:]
	}
	return sign + digits
}
