package config

import (
	"encoding/json"
	"fmt"
	"net/url"
	"reflect"
	"strings"
	"time"
)

// Record is the configuration in force, defaults included, under the keys of the file,
// as it goes into the log. Instruments are there by name, because their profiles are
// entries of their own. There are no secrets in it.
func (c Config) Record() (json.RawMessage, error) {
	c.MQTT.Broker = redacted(c.MQTT.Broker)
	keys := recorded(reflect.ValueOf(c)).(map[string]any)
	names := make([]string, len(c.Instruments))
	for i, p := range c.Instruments {
		names[i] = p.Name
	}
	keys["instrument"] = names
	text, err := json.Marshal(keys)
	if err != nil {
		return nil, fmt.Errorf("cannot record the configuration: %w", err)
	}
	return text, nil
}

// recorded is a value as JSON has it: times as in the file, structs by their keys. A
// key that is tagged as a secret only says that it is set.
func recorded(v reflect.Value) any {
	if d, ok := v.Interface().(time.Duration); ok {
		return d.String()
	}
	switch v.Kind() {
	case reflect.Struct:
		return recordedKeys(v)
	case reflect.Slice:
		all := make([]any, v.Len())
		for i := range all {
			all[i] = recorded(v.Index(i))
		}
		return all
	}
	return v.Interface()
}

func recordedKeys(v reflect.Value) any {
	keys := map[string]any{}
	for i := range v.NumField() {
		field := v.Type().Field(i)
		key, _, _ := strings.Cut(field.Tag.Get("toml"), ",")
		switch {
		case key == "" || key == "-":
		case field.Tag.Get("secret") != "":
			keys[key] = "set"
		default:
			keys[key] = recorded(v.Field(i))
		}
	}
	if len(keys) == 0 { // it writes itself, as a number does
		return v.Interface()
	}
	return keys
}

// redacted is an address without a password in it.
func redacted(address string) string {
	u, err := url.Parse(address)
	if err != nil || u.User == nil {
		return address
	}
	return u.Redacted()
}
