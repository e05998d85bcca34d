// Package config reads the daemon's configuration: strict TOML, every mistake
// reported at once as file:line:column, with what would be right.
package config

import (
	"fmt"
	"io/fs"
	"maps"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"shimwright/cmd/loggerd/operators"
	"shimwright/devices"
	"shimwright/session"
	"shimwright/session/tomlfile"
	"shimwright/session/wording"
	"shimwright/sqlite"
	"shimwright/testdata/plans"
)

// A Config is how a daemon is set up.
type Config struct {
	Bench  string `toml:"bench" example:"bench-1"`                       // its name in topics and on displays
	Data   string `toml:"data" example:"/var/lib/shimwright"`            // the folder of the log
	Socket string `toml:"socket" example:"/run/shimwright/control.sock"` // where logctl reaches the daemon
	Page   string `toml:"page" example:"127.0.0.1:8080"`                 // where the display page is served, or "off"
	Plans  string `toml:"plans" example:"/home/shop/plans"`              // the folder of plans that a job can begin with from the page
	// Language and Unit are those of readers who do not choose; Languages is a folder of
	// catalogues that add a language, or the words of the shop's own plans.
	Language  string       `toml:"language" example:"de"`
	Unit      session.Unit `toml:"unit" example:"in"` // of lengths on displays: mm or in
	Languages string       `toml:"languages" example:"/home/shop/languages"`
	// Bounce is the time within which a second frame of an instrument is too soon.
	Bounce time.Duration `toml:"bounce" example:"0.7s"`
	// RefuseOverdue turns readings away whose instrument is due for calibration.
	RefuseOverdue bool `toml:"refuse_overdue"`
	// Usual keeps the usual instruments whose values are typed in beside those of the file.
	Usual       bool              `toml:"usual_instruments"`
	MQTT        MQTT              `toml:"mqtt"`
	Wall        Wall              `toml:"wall"`
	Instruments []session.Profile `toml:"instrument"`
	Operators   []Operator        `toml:"operator"` // those who can be proved
	Protect     []session.Verb    `toml:"protect"`  // the commands that take one of them
}

// An Operator has a PIN; logctl operator pin makes its hash.
type Operator struct {
	Name string         `toml:"name" example:"ada"`
	PIN  operators.Hash `toml:"pin" secret:"yes"`
}

// protectable are the commands that can be kept for operators with a PIN. What is done
// with a pedal or at an instrument is not among them.
func protectable() []session.Verb {
	return []session.Verb{session.Begin, session.End, session.StrikeOut, session.Restore, session.Aside, session.Resume, session.Unpair}
}

// MQTT says where displays subscribe.
type MQTT struct {
	Broker       string        `toml:"broker" example:"embedded"`       // "embedded", "off", or the address of a broker
	Listen       string        `toml:"listen" example:"127.0.0.1:1883"` // where the embedded broker listens
	Base         string        `toml:"base" example:"shimwright"`       // first segment of every topic
	Username     string        `toml:"username"`                        // at a broker by address
	PasswordFile string        `toml:"password_file"`                   // whose first line is the password
	Heartbeat    time.Duration `toml:"heartbeat" example:"5s"`          // of the status topic
}

// Wall names the benches that the page shows side by side under /wall.
type Wall struct {
	Benches []string `toml:"benches" example:"bench-1"` // at the same broker, under the same base
}

// Embedded and Off are what MQTT.Broker can be besides an address; Off also turns
// the page off.
const (
	Embedded = "embedded"
	Off      = "off"
)

// Default is the configuration without a file: loopback only, data under the
// user's state directory, one usual instrument of each kind to type values of.
func Default(getenv func(string) string, socket string) Config {
	return Config{
		Bench:    "bench-1",
		Data:     sqlite.DefaultFolder(getenv),
		Socket:   socket,
		Page:     "127.0.0.1:8080",
		Bounce:   700 * time.Millisecond,
		Language: "en", Unit: session.Millimetre,
		MQTT: MQTT{Broker: Embedded, Listen: "127.0.0.1:1883", Base: "shimwright", Heartbeat: 5 * time.Second},
		// Any instrument in a file replaces all of these, unless it asks for both.
		Instruments: typed(),
	}
}

// typed are instruments without a cable, as such instruments usually are; what is
// worked out with them says that this was assumed.
func typed() []session.Profile {
	var profiles []session.Profile
	for _, kind := range []session.Kind{session.Caliper, session.DepthGauge, session.Micrometer, session.DialIndicator, session.Feeler, session.Thermometer, session.TorqueWrench} {
		p := session.UsualProfile(kind)
		p.Name = strings.ReplaceAll(string(kind), " ", "-")
		profiles = append(profiles, p)
	}
	return profiles
}

// withUsual adds the usual instruments whose names are free.
func withUsual(own []session.Profile) []session.Profile {
	all := slices.DeleteFunc(typed(), func(p session.Profile) bool {
		return slices.ContainsFunc(own, func(o session.Profile) bool { return o.Name == p.Name })
	})
	return append(all, own...)
}

// Read reads text over the defaults in c. file is what messages call it. The
// error is a tomlfile.Problems that lists every mistake.
func Read(file string, text []byte, c Config) (Config, error) {
	doc, problems := tomlfile.Decode(file, text, &c)
	if doc == nil {
		return Config{}, problems
	}
	k := &check{doc: doc, problems: problems}
	k.bench(c)
	k.mqtt(c.MQTT)
	k.operators(c)
	k.wall(c)
	for i, p := range c.Instruments {
		k.instrument(i, p, c.Instruments)
	}
	if c.Usual {
		c.Instruments = withUsual(c.Instruments)
	}
	if len(k.problems) > 0 {
		return Config{}, k.problems
	}
	return c, nil
}

// check collects what is wrong with the meaning of a file.
type check struct {
	doc      *tomlfile.Doc
	problems tomlfile.Problems
}

func (k *check) wrong(wrong, right string, path ...any) {
	k.problems = append(k.problems, k.doc.Problem(wrong, right, path...))
}

func (k *check) bench(c Config) {
	if session.Segment(c.Bench) != c.Bench {
		k.wrong(fmt.Sprintf("%q cannot stand in a topic", c.Bench), "use small letters, digits and hyphens, like bench-1", "bench")
	}
	if c.Bounce < 0 || c.Bounce > 10*time.Second {
		k.wrong(fmt.Sprintf("a bounce of %s is not sensible", c.Bounce), `give a time up to ten seconds, like "0.7s"`, "bounce")
	}
	for _, f := range []struct{ key, path string }{{"data", c.Data}, {"socket", c.Socket}, {"plans", c.Plans}, {"languages", c.Languages}} {
		if k.doc.Has(f.key) && !filepath.IsAbs(f.path) {
			k.wrong(fmt.Sprintf("the path %q depends on where the daemon is started", f.path), "write it from the root, like /var/lib/shimwright", f.key)
		}
	}
	if c.Page != Off {
		k.address(c.Page, "page")
	}
	if c.Unit != "" && c.Unit != session.Millimetre && c.Unit != session.Inch {
		k.wrong(fmt.Sprintf("displays cannot show lengths in %s", c.Unit.Word()), `write "mm" or "in"`, "unit")
	}
	k.languages(c)
}

func (k *check) languages(c Config) {
	all, err := c.Catalogues()
	if err != nil {
		k.wrong(err.Error(), "mend the file, or leave the folder away", "languages")
		return
	}
	if c.Language != "" && all[c.Language] == nil {
		k.wrong(fmt.Sprintf("there is no language %q", c.Language), "write one of "+strings.Join(slices.Sorted(maps.Keys(all)), ", ")+", or put its catalogue into the folder of languages", "language")
	}
}

// Catalogues are the languages that come with the program, with the words of its example
// plans, and those of the configured folder.
func (c Config) Catalogues() (wording.Languages, error) {
	folders := []fs.FS{plans.Words()}
	if c.Languages != "" {
		if _, err := os.ReadDir(c.Languages); err != nil {
			return nil, fmt.Errorf("cannot read the folder %q: %w", c.Languages, err)
		}
		folders = append(folders, os.DirFS(c.Languages))
	}
	return wording.Load(folders...)
}

func (k *check) operators(c Config) {
	for i, o := range c.Operators {
		if o.Name == "" || strings.TrimSpace(o.Name) != o.Name {
			k.wrong(fmt.Sprintf("%q is not a name", o.Name), "write it without spaces around it", "operator", i, "name")
		}
		if slices.ContainsFunc(c.Operators[:i], func(p Operator) bool { return p.Name == o.Name }) {
			k.wrong(fmt.Sprintf("operator %q is there already", o.Name), "give each operator once", "operator", i, "name")
		}
		if err := o.PIN.Check(); err != nil {
			k.wrong(fmt.Sprintf("the PIN of %q cannot be used: %v", o.Name, err), "make the line with: logctl operator pin "+o.Name, "operator", i, "pin")
		}
	}
	for i, v := range c.Protect {
		if !slices.Contains(protectable(), v) {
			names := []string{}
			for _, v := range protectable() {
				names = append(names, string(v))
			}
			k.wrong(fmt.Sprintf("the command %q cannot be protected", v), "take some of: "+strings.Join(names, ", "), "protect", i)
		}
	}
	if len(c.Protect) > 0 && len(c.Operators) == 0 {
		k.wrong("commands are protected, but there is no operator who could give them", "add an [[operator]] with the lines of: logctl operator pin NAME", "protect")
	}
}

// address checks a host:port to listen on.
func (k *check) address(address string, path ...any) {
	host, port, err := net.SplitHostPort(address)
	if err != nil || host == "" || port == "" || strings.Trim(port, "0123456789") != "" {
		k.wrong(fmt.Sprintf("%q is not an address to listen on", address), "write host and port, like 127.0.0.1:8080", path...)
	}
}

func (k *check) mqtt(m MQTT) {
	if session.Segment(m.Base) != m.Base {
		k.wrong(fmt.Sprintf("%q cannot stand in a topic", m.Base), "use small letters, digits and hyphens, like shimwright", "mqtt", "base")
	}
	if m.Heartbeat < time.Second || m.Heartbeat > time.Hour {
		k.wrong(fmt.Sprintf("a heartbeat every %s is not sensible", m.Heartbeat), `give a time from a second to an hour, like "5s"`, "mqtt", "heartbeat")
	}
	own := m.Broker == Embedded || m.Broker == Off
	if own && (m.Username != "" || m.PasswordFile != "") {
		k.wrong("a user name and password belong to a broker by address", "leave them out, or name the broker", "mqtt")
	}
	if (m.Username == "") != (m.PasswordFile == "") {
		k.wrong("user name and password file belong together", "give both or neither", "mqtt")
	}
	if m.Broker == Embedded {
		k.address(m.Listen, "mqtt", "listen")
	}
	if own {
		return
	}
	schemes := []string{"tcp", "mqtt", "ssl", "tls", "mqtts"}
	if u, err := url.Parse(m.Broker); err != nil || u.Hostname() == "" || !slices.Contains(schemes, u.Scheme) {
		k.wrong(fmt.Sprintf("%q is not a broker", m.Broker), `write "embedded", "off" or an address like tcp://192.168.1.5:1883`, "mqtt", "broker")
	}
}

// maxWall is how many benches a wall has room for.
const maxWall = 50

func (k *check) wall(c Config) {
	for i, name := range c.Wall.Benches {
		if session.Segment(name) != name || slices.Contains(c.Wall.Benches[:i], name) {
			k.wrong(fmt.Sprintf("%q is no bench, or named twice", name), "write each bench once, with small letters, digits and hyphens, like bench-1", "wall", "benches", i)
		}
	}
	switch {
	case len(c.Wall.Benches) > maxWall:
		k.wrong(fmt.Sprintf("%d benches are too many for a wall", len(c.Wall.Benches)), fmt.Sprintf("name at most %d", maxWall), "wall", "benches")
	case len(c.Wall.Benches) > 0 && (c.MQTT.Broker == Off || c.Page == Off):
		k.wrong("a wall needs a broker and the page", "switch both on, or leave the wall out", "wall", "benches")
	}
}

// instrument checks profile i, and that no other has its port.
func (k *check) instrument(i int, p session.Profile, all []session.Profile) {
	for _, m := range devices.Check(p) {
		path := []any{"instrument", i}
		for _, key := range strings.Split(m.Field, ".") {
			if n, err := strconv.Atoi(key); err == nil {
				path = append(path, n)
				continue
			}
			path = append(path, key)
		}
		k.wrong(m.Wrong, m.Right, path...)
	}
	for j := range i {
		if p.Port != "" && all[j].Port == p.Port {
			k.wrong(fmt.Sprintf("port %s is that of instrument %q already", p.Port, all[j].Name), "give each instrument a port of its own", "instrument", i, "port")
		}
	}
}
