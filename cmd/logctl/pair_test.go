package main

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"shimwright/cmd/loggerd/control"
	"shimwright/session"
)

// fakePages are the pages of a daemon: one is paired, and no other of its name can be.
type fakePages struct{}

func (fakePages) Invite(page string) (control.Invitation, error) {
	if page == "tablet" {
		return control.Invitation{}, &session.Refusal{Code: "name taken", Message: `a page "tablet" is paired already`, Instead: "give another name"}
	}
	return control.Invitation{Page: page, Code: "012345", Seconds: 300, Address: "127.0.0.1:8080"}, nil
}

func (fakePages) Pages() []control.PairedPage {
	return []control.PairedPage{{Page: "tablet", Since: time.Date(2031, 4, 5, 12, 0, 0, 0, time.UTC)}}
}

func TestPair(t *testing.T) {
	env := serve(t, &bench{snapshot: load(t, "measuring")})
	for _, c := range []struct {
		args         []string
		code         exit
		says, errors string
	}{
		{[]string{"pair", "phone"}, exitOK, "CODE  012345\n      Type it within 5 minutes at http://127.0.0.1:8080/ under Menu, Pair this\n      page. It will be called \"phone\".\n", ""},
		{[]string{"pair", "phone", "--json"}, exitOK, "{\n  \"page\": \"phone\",\n  \"code\": \"012345\",\n  \"seconds\": 300,\n  \"address\": \"127.0.0.1:8080\"\n}\n", ""},
		{[]string{"pair", "--list"}, exitOK, "tablet, since 2031-04-05 12:00\n", ""},
		{[]string{"pair", "--list", "--json"}, exitOK, "[\n  {\n    \"page\": \"tablet\",\n    \"since\": \"2031-04-05T12:00:00Z\"\n  }\n]\n", ""},
		{[]string{"pair", "--revoke", "tablet"}, exitOK, "The page \"tablet\" may only look from now on.\n", ""},
		{[]string{"pair", "tablet"}, exitRefused, "", "a page \"tablet\" is paired already; give another name"},
		{[]string{"pair", "--list", "--revoke", "x"}, exitUsage, "", "give either NAME, or --list, or --revoke NAME"},
		{[]string{"pair", "x", "--list"}, exitUsage, "", "give either"},
		{[]string{"pair", "x", "--revoke", "x"}, exitUsage, "", "give either"},
	} {
		code, stdout, stderr := logctl(env, "", c.args...)
		assert.Equal(t, c.code, code, fmt.Sprint(c.args, stderr))
		assert.Equal(t, c.says, stdout, c.args)
		assert.Contains(t, stderr, c.errors, c.args)
	}
}
