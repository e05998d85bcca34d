package broker

import (
	"bytes"
	"crypto/subtle"
	"strings"
	"sync"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// gate decides who may connect, publish and subscribe.
type gate struct {
	mqtt.HookBase
	base           string
	user, password string

	mu       sync.Mutex
	reserved map[string]bool // client ids that the publisher has used
}

// ID names the hook.
func (g *gate) ID() string { return "gate" }

// Provides lists what the hook answers.
func (g *gate) Provides(b byte) bool {
	return bytes.IndexByte([]byte{mqtt.OnConnect, mqtt.OnConnectAuthenticate, mqtt.OnACLCheck, mqtt.OnSubscribe}, b) >= 0
}

// OnConnect ends the session with the connection and bounds silence: a keep-alive
// of 0 means "never" and becomes the longest.
func (g *gate) OnConnect(cl *mqtt.Client, pk packets.Packet) error {
	cl.Properties.Clean = true
	longest := uint16(maxSilence / time.Second)
	if cl.State.Keepalive == 0 || cl.State.Keepalive > longest {
		cl.State.Keepalive, cl.State.ServerKeepalive = longest, true
	}
	return nil
}

// OnConnectAuthenticate lets in the publisher, and displays that give no name.
// A display may not leave a will, because the library publishes wills unchecked,
// nor take the publisher's client id, because that would end its connection.
func (g *gate) OnConnectAuthenticate(cl *mqtt.Client, pk packets.Packet) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.isPublisher(pk.Connect.Username, pk.Connect.Password) {
		if g.reserved == nil {
			g.reserved = map[string]bool{}
		}
		g.reserved[cl.ID] = true
		return !pk.Connect.WillFlag || g.mayPublish(pk.Connect.WillTopic)
	}
	return !pk.Connect.UsernameFlag && !pk.Connect.WillFlag && !g.reserved[cl.ID]
}

func (g *gate) isPublisher(user, password []byte) bool {
	sameUser := subtle.ConstantTimeCompare(user, []byte(g.user))
	samePassword := subtle.ConstantTimeCompare(password, []byte(g.password))
	return sameUser&samePassword == 1
}

// OnACLCheck checks a topic to publish to, a filter to subscribe to, and the
// topic of each message on its way out. The user name is trusted here because
// OnConnectAuthenticate has let in no other client with a name.
func (g *gate) OnACLCheck(cl *mqtt.Client, topic string, write bool) bool {
	if write {
		return string(cl.Properties.Username) == g.user && g.mayPublish(topic)
	}
	return strings.HasPrefix(topic, g.base+"/")
}

func (g *gate) mayPublish(topic string) bool {
	return strings.HasPrefix(topic, g.base+"/v1/")
}

// OnSubscribe grants QoS 0; see the package comment.
func (g *gate) OnSubscribe(cl *mqtt.Client, pk packets.Packet) packets.Packet {
	for i := range pk.Filters {
		pk.Filters[i].Qos = 0
	}
	return pk
}
