package wire

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"plumbline/analyze/setting"
)

// Version of the wire format, in the hello and in every frame.
const Version = 1

// Types of text messages.
const (
	TypeHello   = "hello"
	TypeState   = "state"
	TypeVerdict = "verdict"
	TypeRig     = "rig"
	TypeShow    = "show"
	TypeNotice  = "notice"
	TypeAsk     = "ask"
	TypeAck     = "ack"
	TypeWant    = "want"
	TypeHere    = "here"
)

// Hello opens a connection and announces every new epoch. Frames of that epoch
// lie on its grid.
type Hello struct {
	Type    string    `json:"type"`
	Version int       `json:"version"`
	Client  string    `json:"client"` // this connection's name, for changed_by
	Role    string    `json:"role"`   // viewer or operator: what this connection's token allows
	Epoch   uint32    `json:"epoch"`
	RateHz  float64   `json:"rate_hz"`
	Grid    []float64 `json:"grid"` // Hz, ascending; empty before the first frame
}

// StateMessage carries the state: on connect and on every change.
type StateMessage struct {
	Type  string `json:"type"`
	State State  `json:"state"`
}

// RigMessage carries the scene of the virtual rig: on connect and on every change.
type RigMessage struct {
	Type string   `json:"type"`
	Rig  RigScene `json:"rig"`
}

// ShowMessage carries what the open show is about: on connect, when it changed
// and when another one was opened.
type ShowMessage struct {
	Type string `json:"type"`
	Show *Show  `json:"show"` // null: none is open
}

// Show is what a show is about, and how many items live in it.
type Show struct {
	Name         string `json:"name"`
	File         string `json:"file"` // its name, without the folder
	MadeAt       string `json:"made_at"`
	Version      int    `json:"version"`  // of the schema
	Revision     int64  `json:"revision"` // rises with every change
	Loudspeakers int    `json:"loudspeakers"`
	Seats        int    `json:"seats"`
	Takes        int    `json:"takes"`
	Plans        int    `json:"plans"`
	Notes        int    `json:"notes"`
	SizeBytes    int64  `json:"size_bytes"`
	// Of the size: audio around events, and such as was deleted, whose space is
	// given back when the show is opened again.
	EventAudioBytes   int64 `json:"event_audio_bytes"`
	DeletedAudioBytes int64 `json:"deleted_audio_bytes"`
	// EventAudioMostBytes is how much of the former is kept: what would be more is not stored. 0: none.
	EventAudioMostBytes int64 `json:"event_audio_most_bytes"`
}

// EventAudioPatch chooses how much audio around events the show keeps.
type EventAudioPatch struct {
	MostBytes int64 `json:"most_bytes"` // 0: none from now on; what is kept stays
}

// Notice is something to tell everybody once.
type Notice struct {
	Type string `json:"type"`
	Text string `json:"text"`
	By   string `json:"by"`
}

// Ask asks the program at the other end whether it is alive, while something
// depends on that: it answers a ClientMessage of type "here" at once.
type Ask struct {
	Type string `json:"type"`
}

// Words of certainty and marks of a verdict.
const (
	Sure       = "sure"
	Likely     = "likely"
	CannotTell = "cannot tell"

	Steady    = "steady"
	Attention = "attention"
	Act       = "act"
)

// Part is a piece of a verdict's text and what it is about, for lighting the
// evidence: "delay", "distance", "arrival:N" (N from 1, earliest first),
// "polarity", "trusted", "known", "comb", "level", "averaging", "reference",
// "microphone", "source", "next" (what to do) or "caution"; empty for plain words.
type Part struct {
	Text  string `json:"text"`
	About string `json:"about,omitempty"`
	// Caution: it is said against the measurement, or against a hazard, not of what was found.
	Caution bool `json:"caution,omitempty"`
}

// Verdict says in a sentence what the measurement of one microphone means now.
// Its text is its parts' texts, joined; its headline says in at most 70 characters what
// happened and what to do.
type Verdict struct {
	Type           string `json:"type"`
	Microphone     int    `json:"microphone"` // channel
	Headline       string `json:"headline"`
	Text           string `json:"text"`
	Parts          []Part `json:"parts"`
	Certainty      string `json:"certainty"`       // "sure", "likely" or "cannot tell"
	Mark           string `json:"mark"`            // "steady", "attention" or "act"
	DelayReason    string `json:"delay_reason"`    // why there is no delay; empty when there is one
	PolarityReason string `json:"polarity_reason"` // what the polarity rests on
	// Cautions are what speaks against the measurement, the most urgent first.
	Cautions []Caution `json:"cautions"`
}

// Verdicts is the object of GET /api/v1/verdict.
type Verdicts struct {
	Verdicts []Verdict `json:"verdicts"`
}

// ClientMessage is all that a client sends over the live connection: an ack, a
// want, or here.
type ClientMessage struct {
	Type            string   `json:"type"`
	Seq             uint64   `json:"seq,omitempty"`               // ack: the newest frame drawn
	FramesPerSecond *float64 `json:"frames_per_second,omitempty"` // want: 0.1…60
	Hidden          *bool    `json:"hidden,omitempty"`            // want: send no frames while true
	Microphones     []int    `json:"microphones,omitempty"`       // want: only these channels (and the reference); empty list: all
}

// DecodeClientMessage reads and checks one message of a client.
func DecodeClientMessage(b []byte) (ClientMessage, error) {
	var m ClientMessage
	if err := DecodeStrict(bytes.NewReader(b), &m); err != nil {
		return m, err
	}
	switch m.Type {
	case TypeAck:
		if m.FramesPerSecond != nil || m.Hidden != nil || m.Microphones != nil {
			return m, refuse("message", "an ack carries a seq and nothing else")
		}
	case TypeWant:
		if f := m.FramesPerSecond; f != nil && !within(*f, 0.1, 60) {
			return m, refuse("message", "frames_per_second must lie between 0.1 and 60, not %g", *f)
		}
		if len(m.Microphones) > setting.MaxMicrophones {
			return m, refuse("message", "at most %d microphones, not %d", setting.MaxMicrophones, len(m.Microphones))
		}
	case TypeHere:
		if m.Seq != 0 || m.FramesPerSecond != nil || m.Hidden != nil || m.Microphones != nil {
			return m, refuse("message", "here carries nothing else")
		}
	default:
		return m, refuse("message", "message type must be \"ack\", \"want\" or \"here\", not %q", m.Type)
	}
	return m, nil
}

// DecodeStrict reads exactly one JSON object into v and refuses unknown fields.
// The error is an *Error with code "json", or the reader's own.
func DecodeStrict(r io.Reader, v any) error {
	d := json.NewDecoder(r)
	var object json.RawMessage
	if err := d.Decode(&object); err != nil {
		return jsonError(err)
	}
	if _, err := d.Token(); err != io.EOF {
		return refuse("json", "one JSON object is expected, and nothing after it")
	}
	if string(object) == "null" { // which would leave v as it is, like {}
		return refuse("json", "a JSON object is expected, not null")
	}
	d = json.NewDecoder(bytes.NewReader(object))
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		return jsonError(err)
	}
	return nil
}

func article(kind string) string {
	if strings.HasPrefix(kind, "a") || strings.HasPrefix(kind, "o") { // array, object
		return "an " + kind
	}
	return "a " + kind
}

func jsonError(err error) error {
	var mine *Error
	var refused *setting.Error
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.As(err, &mine):
		return mine
	case errors.As(err, &refused):
		return Refused(err)
	case errors.As(err, &syntax):
		return &Error{Code: "json", Text: fmt.Sprintf("not JSON at byte %d: %v", syntax.Offset, syntax), Cause: err}
	case errors.As(err, &kind) && kind.Field == "":
		return &Error{Code: "json", Text: fmt.Sprintf("a JSON object is expected, not %s", article(kind.Value)), Cause: err}
	case errors.As(err, &kind):
		return &Error{Code: "json", Text: fmt.Sprintf("%s cannot be %s", kind.Field, article(kind.Value)), Cause: err}
	case err == io.EOF || err == io.ErrUnexpectedEOF:
		return &Error{Code: "json", Text: "a JSON object is expected, and it ends too early", Cause: err}
	case isUnknownField(err):
		return &Error{Code: "unknown_field", Text: err.Error()[len("json: "):], Cause: err}
	}
	return err
}
