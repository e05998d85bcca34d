package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"shimwright/cmd/loggerd/config"
	"shimwright/cmd/loggerd/control"
	"shimwright/devices"
	"shimwright/session"
)

// learned are the instruments that were set up while the daemon ran, beside those of its
// configuration.
type learned struct {
	setting  sync.Mutex // one profile at a time
	mu       sync.Mutex // guards what follows
	all      map[string]*devices.Instrument
	profiles []session.Profile
	start    func(part func(context.Context) error) // nil unless the daemon runs
}

// instrument finds an instrument that has a port; nil if there is none.
func (d *daemon) instrument(name string) *devices.Instrument {
	if in := d.instruments[name]; in != nil {
		return in
	}
	d.learned.mu.Lock()
	defer d.learned.mu.Unlock()
	return d.learned.all[name]
}

// everyInstrument lists those that have a port, by name.
func (d *daemon) everyInstrument() map[string]*devices.Instrument {
	all := map[string]*devices.Instrument{}
	for name, in := range d.instruments {
		all[name] = in
	}
	d.learned.mu.Lock()
	defer d.learned.mu.Unlock()
	for name, in := range d.learned.all {
		all[name] = in
	}
	return all
}

// profiles lists those of the configuration and those that were learned, the newest of
// each name.
func (d *daemon) profiles() []session.Profile {
	d.learned.mu.Lock()
	defer d.learned.mu.Unlock()
	all := slices.Clone(d.cfg.Instruments)
	for _, p := range d.learned.profiles {
		all = slices.DeleteFunc(all, func(o session.Profile) bool { return o.Name == p.Name })
		all = append(all, p)
	}
	return all
}

// startable lets instruments be started while the daemon runs.
func (d *daemon) startable(start func(part func(context.Context) error)) {
	d.learned.mu.Lock()
	defer d.learned.mu.Unlock()
	d.learned.start = start
}

// Set puts a profile in force: the bench logs it, and its port is opened.
func (f portFace) Set(ctx context.Context, p session.Profile, write bool) (control.InForce, error) {
	f.d.learned.setting.Lock()
	defer f.d.learned.setting.Unlock()
	if no := f.d.settable(p); no != nil {
		return control.InForce{}, no
	}
	in, err := f.d.newInstrument(p)
	if err != nil {
		return control.InForce{}, err
	}
	receipt, err := f.d.bench.Submit(ctx, session.ProfileSet{Profile: p})
	if err != nil {
		return control.InForce{}, err
	}
	if no := f.d.learn(p, in); no != nil {
		return control.InForce{}, no
	}
	answer := control.InForce{Name: p.Name, Seq: receipt.Seq, TOML: devices.WriteProfile(p)}
	if !write {
		return answer, nil
	}
	if err := f.d.keep(p); err != nil {
		answer.NotWritten = err.Error()
		return answer, nil
	}
	answer.Written = f.d.outfit.config
	return answer, nil
}

// settable refuses a profile that has mistakes, or whose name or port is in use.
func (d *daemon) settable(p session.Profile) *session.Refusal {
	if found := devices.Check(p); len(found) > 0 {
		texts := make([]string, len(found))
		for i, m := range found {
			texts[i] = m.Error()
		}
		return &session.Refusal{Code: "bad profile", Message: "the profile has mistakes: " + strings.Join(texts, "; "), Instead: "mend them", Params: map[string]string{"problems": strings.Join(texts, "; ")}}
	}
	if p.Port == "" {
		return &session.Refusal{Code: "bad profile", Message: "the profile names no port", Instead: "name the one that the instrument is at; logctl ports lists them", Params: map[string]string{"problems": "the profile names no port"}}
	}
	for _, o := range d.profiles() {
		switch {
		case o.Name == p.Name && o.Port != "":
			return &session.Refusal{Code: "name in use", Message: "there is an instrument " + p.Name + " at port " + o.Port, Instead: "choose another name", Params: map[string]string{"instrument": p.Name, "port": o.Port}}
		case d.samePort(o.Port, p.Port):
			return &session.Refusal{Code: "port in use", Message: "port " + p.Port + " is that of instrument " + o.Name, Instead: "give another port", Params: map[string]string{"instrument": o.Name, "port": p.Port}}
		}
	}
	return nil
}

// samePort tells whether two names mean one device that is plugged in.
func (d *daemon) samePort(a, b string) bool {
	if a == "" || a == b {
		return a != ""
	}
	deviceA, errA := d.outfit.system.Find(a)
	deviceB, errB := d.outfit.system.Find(b)
	return errA == nil && errB == nil && sameFile(deviceA, deviceB)
}

// learn takes an instrument in and starts it.
func (d *daemon) learn(p session.Profile, in *devices.Instrument) *session.Refusal {
	d.learned.mu.Lock()
	defer d.learned.mu.Unlock()
	if d.learned.start == nil {
		return &session.Refusal{Code: "not running", Message: "the daemon is not running yet, or not any more", Instead: "try again"}
	}
	if d.learned.all == nil {
		d.learned.all = map[string]*devices.Instrument{}
	}
	d.learned.all[p.Name] = in
	d.learned.profiles = append(d.learned.profiles, p)
	if d.outfit.record != "" {
		r := d.newRecorder(p, in)
		d.learned.start(func(context.Context) error { return r.run() })
	}
	d.learned.start(in.Run)
	d.log.Info("an instrument was set up", "instrument", p.Name, "port", p.Port)
	return nil
}

// keep adds a profile to the configuration file, so that the next start has it. The file
// is replaced whole, and only by one that reads as it should.
func (d *daemon) keep(p session.Profile) error {
	file := d.outfit.config
	if file == "" {
		return errors.New("the daemon was started without a configuration file")
	}
	was, err := os.ReadFile(file)
	if err != nil {
		return fmt.Errorf("cannot read the configuration: %w", err)
	}
	text := string(was)
	if text != "" && !strings.HasSuffix(text, "\n") {
		text += "\n"
	}
	if onlyUsual(d.cfg.Instruments) && d.fileIsBare(was) {
		text = "usual_instruments = true # those whose values are typed in stay beside those below\n" + text
	}
	text += "\n" + devices.WriteProfile(p)
	if _, err := config.Read(file, []byte(text), config.Default(os.Getenv, d.cfg.Socket)); err != nil {
		return fmt.Errorf("the configuration would have mistakes then: %w", err)
	}
	return replace(file, []byte(text))
}

// onlyUsual tells whether all instruments are those that a daemon without any has.
func onlyUsual(all []session.Profile) bool {
	return !slices.ContainsFunc(all, func(p session.Profile) bool { return !p.Assumed })
}

// fileIsBare tells whether a configuration names no instrument.
func (d *daemon) fileIsBare(text []byte) bool {
	c, err := config.Read(d.outfit.config, text, config.Default(os.Getenv, d.cfg.Socket))
	return err == nil && onlyUsual(c.Instruments)
}

// replace puts a text in place of a file, whole or not at all.
func replace(file string, text []byte) error {
	info, err := os.Stat(file)
	if err != nil {
		return fmt.Errorf("cannot look at %q: %w", file, err)
	}
	real, err := filepath.EvalSymlinks(file)
	if err != nil {
		return fmt.Errorf("cannot find %q: %w", file, err)
	}
	next, err := os.CreateTemp(filepath.Dir(real), ".loggerd-*.toml")
	if err != nil {
		return fmt.Errorf("cannot write beside %q: %w", file, err)
	}
	defer os.Remove(next.Name()) //nolint:errcheck // it is gone once it was renamed
	_, err = next.Write(text)
	err = errors.Join(err, next.Chmod(info.Mode().Perm()), next.Sync(), next.Close())
	if err == nil {
		err = os.Rename(next.Name(), real)
	}
	if err != nil {
		return fmt.Errorf("cannot write %q: %w", file, err)
	}
	return nil
}
