package wording

import (
	"strings"
	"time"

	"shimwright/session"
)

// Instrument says in one line what an instrument is, whether it is there and how
// its frames fared in this run. It has no full stop.
func (l *Language) Instrument(v session.InstrumentView) string {
	line := v.Name
	if v.Kind != "" {
		line += " (" + l.Kind(v.Kind) + ")"
	}
	line += ": " + l.Port(v)
	if v.Readings > 0 {
		line += ", " + l.say("%d readings", v.Readings)
	}
	if v.Unreadable > 0 {
		line += ", " + l.say("%d unreadable frames", v.Unreadable)
	}
	return line
}

// Health says how the line of an instrument has been: "312 frames, 2 bad, 18 bytes dropped,
// 1 reconnect, the last frame at 10:32:01"; empty if nobody looked yet.
func (l *Language) Health(v session.InstrumentView, zone *time.Location) string {
	h := v.Health
	if h == nil {
		return ""
	}
	text := l.say("%d frames", int(h.Frames))
	if h.Bad > 0 {
		text += ", " + l.say("%d bad", h.Bad)
	}
	if h.Dropped > 0 {
		text += ", " + l.say("%d bytes dropped", int(h.Dropped))
	}
	if h.Reconnects > 0 {
		text += ", " + l.say("%d reconnects", int(h.Reconnects))
	}
	if h.LastSeen != nil {
		text += ", " + l.say("the last frame at %s", h.LastSeen.In(zone).Format(time.TimeOnly))
	}
	return text
}

// Port says whether an instrument is there and, if not, what to do.
func (l *Language) Port(v session.InstrumentView) string {
	if byHand(v) {
		return l.say("its values are entered by hand")
	}
	text := l.portText(v.State)
	if v.Detail != "" {
		text += " (" + v.Detail + ")"
	}
	return text
}

// byHand tells whether an instrument has no port at all.
func byHand(v session.InstrumentView) bool {
	absent := v.State == "" || v.State == session.PortAbsent
	return absent && v.Port == "" && (v.Kind == session.Feeler || v.Trigger == "")
}

func (l *Language) portText(state session.PortState) string {
	switch state {
	case session.PortLive:
		return l.say("ready")
	case session.PortAbsent, "":
		return l.say("not there; plug it in")
	case session.PortOpening, session.PortSettling:
		return l.say("starting")
	case session.PortLost:
		return l.say("lost; check plug and cable")
	case session.PortRefused:
		return l.say("its port cannot be used")
	}
	return l.Text(string(state))
}

// Fault says why a frame gave no value and what to do; a clause without a full
// stop, never empty.
func (l *Language) Fault(f session.Fault) string {
	text := l.Text(faultText(f.Code))
	if text == "" {
		text = spelled(f.Code, nil)
		if f.Code == "" {
			text = l.say("the frame cannot be read")
		}
	}
	if f.Detail != "" {
		text += " (" + f.Detail + ")"
	}
	return l.say("%s; press again", strings.TrimSpace(text))
}

func faultText(code string) string {
	switch code {
	case "no match":
		return "the frame is not as the profile says"
	case "line too long":
		return "the line does not end"
	case "bad status":
		return "the instrument says that its value is not sound"
	case "bad unit":
		return "the unit is unknown"
	case "bad number":
		return "the number cannot be read"
	case "broken frame":
		return "the frame is broken"
	case "noise":
		return "noise on the line; check plug and cable"
	case "sends all the time":
		return "it sends all the time, not on a press; switch that off, or make its profile streaming"
	case "no answer":
		return "no answer; check that the instrument is on"
	}
	return ""
}
