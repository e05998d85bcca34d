package config

import (
	"encoding/json"
	"fmt"
	"net/url"
)

// Record is the configuration in force, defaults included, as it goes into the log.
// Instruments are there by name, because their profiles are entries of their own.
// There are no secrets in it.
func (c Config) Record() (json.RawMessage, error) {
	text, err := json.Marshal(c.recorded())
	if err != nil {
		return nil, fmt.Errorf("cannot record the configuration: %w", err)
	}
	return text, nil
}

// recorded is what Record writes.
type recorded struct {
	Bench       string       `json:"bench"`
	Data        string       `json:"data"`
	Socket      string       `json:"socket"`
	Page        string       `json:"page"`
	Bounce      string       `json:"bounce"`
	MQTT        recordedMQTT `json:"mqtt"`
	Instruments []string     `json:"instruments"`
}

type recordedMQTT struct {
	Broker       string `json:"broker"`
	Listen       string `json:"listen,omitempty"`
	Base         string `json:"base"`
	Username     string `json:"username,omitempty"`
	PasswordFile string `json:"password_file,omitempty"`
	Heartbeat    string `json:"heartbeat"`
}

func (c Config) recorded() recorded {
	m := c.MQTT
	r := recorded{Bench: c.Bench, Data: c.Data, Socket: c.Socket, Page: c.Page, Bounce: c.Bounce.String(), Instruments: []string{},
		MQTT: recordedMQTT{Broker: redacted(m.Broker), Base: m.Base, Username: m.Username, PasswordFile: m.PasswordFile, Heartbeat: m.Heartbeat.String()}}
	if m.Broker == Embedded {
		r.MQTT.Listen = m.Listen
	}
	for _, p := range c.Instruments {
		r.Instruments = append(r.Instruments, p.Name)
	}
	return r
}

// redacted is an address without a password in it.
func redacted(address string) string {
	u, err := url.Parse(address)
	if err != nil || u.User == nil {
		return address
	}
	return u.Redacted()
}
