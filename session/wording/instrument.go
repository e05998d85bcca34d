package wording

import (
	"fmt"
	"strings"
	"time"

	"shimwright/session"
)

// Instrument says in one line what an instrument is, whether it is there and how
// its frames fared in this run. It has no full stop.
func (l *Language) Instrument(v session.InstrumentView) string {
	line := v.Name
	if v.Kind != "" {
		line += " (" + string(v.Kind) + ")"
	}
	line += ": " + l.Port(v)
	if v.Readings > 0 {
		line += ", " + l.count(v.Readings, "reading")
	}
	if v.Unreadable > 0 {
		line += ", " + l.count(v.Unreadable, "unreadable frame")
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
	text := l.count(int(h.Frames), "frame")
	if h.Bad > 0 {
		text += fmt.Sprintf(", %d bad", h.Bad)
	}
	if h.Dropped > 0 {
		text += fmt.Sprintf(", %s dropped", l.count(int(h.Dropped), "byte"))
	}
	if h.Reconnects > 0 {
		text += ", " + l.count(int(h.Reconnects), "reconnect")
	}
	if h.LastSeen != nil {
		text += ", the last frame at " + h.LastSeen.In(zone).Format(time.TimeOnly)
	}
	return text
}

// Port says whether an instrument is there and, if not, what to do.
func (l *Language) Port(v session.InstrumentView) string {
	if byHand(v) {
		return "its values are entered by hand"
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
		return "ready"
	case session.PortAbsent, "":
		return "not there; plug it in"
	case session.PortOpening, session.PortSettling:
		return "starting"
	case session.PortLost:
		return "lost; check plug and cable"
	case session.PortRefused:
		return "its port cannot be used"
	}
	return string(state)
}

// Fault says why a frame gave no value and what to do; a clause without a full
// stop, never empty.
func (l *Language) Fault(f session.Fault) string {
	text := l.faultText(f.Code)
	if text == "" {
		text = spelled(f.Code, nil)
		if f.Code == "" {
			text = "the frame cannot be read"
		}
	}
	if f.Detail != "" {
		text += " (" + f.Detail + ")"
	}
	return strings.TrimSpace(text) + "; press again"
}

func (l *Language) faultText(code string) string {
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
	case "no answer":
		return "no answer; check that the instrument is on"
	}
	return ""
}
