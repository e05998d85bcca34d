package wall

import (
	"context"
	"encoding/json"
	"fmt"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"shimwright/cmd/loggerd/broker"
	"shimwright/cmd/loggerd/display"
	"shimwright/session"
	"shimwright/session/wording"
)

var noon = time.Date(2031, 4, 5, 12, 0, 0, 0, time.UTC)

// statusOf is a status message as a bench sends it.
func statusOf(run, beat int64, state string) []byte {
	return fmt.Appendf(nil, `{"schema":1,"run":%d,"seq":3,"time":"2031-04-05T12:00:00Z","beat":%d,"bench":"b","state":%q,"interval_s":5,"recording":{"ok":true},"software":"x","method":"y"}`, run, beat, state)
}

// What is said of a bench, message after message.
func TestWhatIsTrusted(t *testing.T) {
	b, now := &bench{name: "b"}, noon
	for i, c := range []struct {
		payload  []byte
		retained bool
		after    time.Duration
		want     string
	}{
		{nil, false, 0, "Nothing has been heard from it yet."},
		{statusOf(7, 4, "live"), true, 0, "Waiting for its next beat."},
		{statusOf(7, 4, "live"), true, 0, "Waiting for its next beat."},
		{statusOf(7, 5, "live"), true, time.Second, ""},
		{nil, false, 15 * time.Second, ""},
		{nil, false, time.Second, "Nothing was heard from it for more than 15 s."},
		{statusOf(7, 6, "live"), false, 0, ""},
		{statusOf(7, 6, "gone"), false, 0, "It is gone; its connection ended without a word."},
		{statusOf(8, 1, "live"), false, 0, ""},
		{statusOf(7, 6, "gone"), false, 0, ""}, // the late will of a run before
		{[]byte(`{"schema":1,"run":8,"beat":2,"state":"live","interval_s":5,"recording":{"ok":false,"problem":"the disk is full"}}`), false, 0, "Its readings are not being recorded: the disk is full."},
		{[]byte(`{"schema":2,"run":9,"state":"live"}`), false, 0, "Its readings are not being recorded: the disk is full."},
		{[]byte(`garbage`), false, 0, "Its readings are not being recorded: the disk is full."},
		{statusOf(8, 3, "ended"), false, 0, "Its daemon was stopped."},
	} {
		now = now.Add(c.after)
		if c.payload != nil {
			_ = b.take(heard{topic{0, "status"}, c.payload, c.retained}, now)
		}
		assert.Equal(t, c.want, b.doubt(now, true).Said(wording.English), i)
		assert.Equal(t, "No connection to the broker; trying again.", b.doubt(now, false).Said(wording.English))
	}
}

// Topics hold while the status of the same run does.
func TestTopicsOfAnotherRunAreNotShown(t *testing.T) {
	b := &bench{name: "b"}
	send := func(what, payload string) {
		t.Helper()
		require.NoError(t, b.take(heard{topic{0, what}, []byte(payload), false}, noon))
	}
	send("step", `{"schema":1,"run":7,"job":{"job":"3","title":"Pump","steps":[]},"step":{"step":"a","title":"A","places":[]}}`)
	send("advice", `{"schema":1,"run":7,"advice":[{"chain":"c","title":"C","state":"waiting"}]}`)
	send("reading", `{"schema":1,"run":7,"reading":{"seq":9,"job":"3","value_mm":"1.00"}}`)
	require.NoError(t, b.take(heard{topic{0, "status"}, statusOf(7, 1, "live"), false}, noon))
	v := b.view(noon, true)
	assert.Equal(t, "Pump", v.Job.Title)
	assert.Equal(t, "A", v.Step.Title)
	assert.Len(t, v.Advice, 1)
	assert.EqualValues(t, 9, v.Reading.Seq)
	require.NoError(t, b.take(heard{topic{0, "status"}, statusOf(8, 1, "live"), false}, noon))
	assert.Equal(t, display.WallBench{Name: "b"}, b.view(noon, true))
	require.Error(t, b.take(heard{topic{0, "step"}, []byte(`{"schema":1,"run":8,"job":3}`), false}, noon))
	assert.EqualValues(t, 7, b.step.Run, "what cannot be read changes nothing")
}

func TestNewWantsABaseThatIsOne(t *testing.T) {
	_, err := New(Config{Base: "Not A Base", Benches: []string{"b"}})
	assert.ErrorContains(t, err, "is not usable")
}

// It follows benches at a real broker, that goes away and comes back.
func TestAWallAtABroker(t *testing.T) {
	user, password := broker.Credentials()
	start := func(listen string) *broker.Broker {
		b, err := broker.Start(broker.Config{Listen: listen, Base: "shop", PublisherUser: user, PublisherPassword: password})
		require.NoError(t, err)
		return b
	}
	b := start("127.0.0.1:0")
	address := b.Addr()
	w, err := New(Config{Broker: "tcp://" + address, Base: "shop", Benches: []string{"left", "right"}})
	require.NoError(t, err)
	box, leave := w.Subscribe()
	defer leave()
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- w.Run(ctx) }()

	until := func(want func([]display.WallBench) bool) {
		t.Helper()
		limit := time.After(20 * time.Second)
		for {
			select {
			case v := <-box:
				if want(v) {
					return
				}
			case <-limit:
				require.Fail(t, "it never came")
			}
		}
	}
	until(func(v []display.WallBench) bool { return v[0].Doubt.Code == display.NeverHeard })
	publishTo(t, address, user, password, "shop/v1/left/step", `{"schema":1,"run":7,"job":{"job":"3","title":"Pump","steps":[]},"step":null}`)
	publishTo(t, address, user, password, "shop/v1/left/status", string(statusOf(7, 1, session.StatusLive)))
	until(func(v []display.WallBench) bool {
		return v[0].Doubt == display.Doubt{} && v[0].Job != nil && v[0].Job.Title == "Pump"
	})
	require.NoError(t, b.Close())
	until(func(v []display.WallBench) bool {
		return v[0].Doubt.Code == display.NoBroker && v[0].Job == nil
	})
	b = start(address)
	publishTo(t, address, user, password, "shop/v1/left/status", string(statusOf(7, 9, session.StatusLive)))
	until(func(v []display.WallBench) bool { return v[0].Doubt == display.Doubt{} })
	stop()
	require.NoError(t, <-ended)
	require.NoError(t, b.Close())
}

func publishTo(t *testing.T, address, user, password, topic, payload string) {
	t.Helper()
	require.True(t, json.Valid([]byte(payload)))
	client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + address).SetClientID("bench").SetUsername(user).SetPassword(password).SetAutoReconnect(false))
	for _, do := range []func() paho.Token{client.Connect, func() paho.Token { return client.Publish(topic, 1, true, payload) }} {
		token := do()
		require.True(t, token.WaitTimeout(5*time.Second))
		require.NoError(t, token.Error())
	}
	client.Disconnect(50)
}

func FuzzMessage(f *testing.F) {
	f.Add("status", statusOf(1, 1, "live"))
	f.Add("step", []byte(`{"schema":1,"run":7,"job":{"steps":[{"step":"a","places":[]}]}}`))
	f.Add("advice", []byte(`{"schema":1,"run":7,"advice":[{"best":{"packs":[]}}]}`))
	f.Add("reading", []byte(`{"schema":1,"run":7,"reading":{"seq":9}}`))
	f.Fuzz(func(t *testing.T, what string, payload []byte) {
		b := &bench{name: "b"}
		require.NoError(t, b.take(heard{topic{0, "status"}, statusOf(7, 1, "live"), false}, noon))
		_ = b.take(heard{topic{0, what}, payload, false}, noon)
		v := b.view(noon, true)
		require.Equal(t, "b", v.Name)
	})
}
