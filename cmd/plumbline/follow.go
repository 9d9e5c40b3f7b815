package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/gorilla/websocket"
	"github.com/spf13/cobra"

	"plumbline/stream/verdict"
	"plumbline/stream/wire"
)

type followFlags struct {
	token  string
	frames uint
}

func newFollowCommand() *cobra.Command {
	var f followFlags
	cmd := &cobra.Command{
		Use:     "follow URL",
		GroupID: groupLive,
		Short:   "Print what a running plumbline sees, one JSON object a line",
		Long: `Connects to a running plumbline and prints each frame as a JSON object on a line
of its own: the verdict, and for each microphone the delay, polarity, response
and levels. Keys end in their units; what is not known is null. A reader that is
slow gets fewer frames, always the newest.

It ends after --frames, at ^C (exit status 0), or when the other end does
(exit status 1).`,
		Example: `  plumbline follow http://127.0.0.1:8737 --frames 1
  plumbline follow http://127.0.0.1:8737 >log.jsonl`,
		Args:              takes(1, 1, "the address of a running plumbline, such as http://127.0.0.1:8737"),
		ValidArgsFunction: cobra.NoFileCompletions,
		RunE:              func(cmd *cobra.Command, args []string) error { return f.run(cmd, args[0]) },
	}
	cmd.Flags().StringVar(&f.token, "token", "", "`token` of an operator or viewer, where one is needed")
	cmd.Flags().UintVar(&f.frames, "frames", 0, "end after this `number` of frames; 0 is never")
	return cmd
}

// followSilence is how long a connection may be without a sign of life.
const followSilence = 45 * time.Second

func (f *followFlags) run(cmd *cobra.Command, address string) error {
	u, err := liveURL(address)
	if err != nil {
		return err
	}
	header := http.Header{}
	if f.token != "" {
		header.Set("Authorization", "Bearer "+f.token)
	}
	ctx := cmd.Context()
	conn, answer, err := websocket.DefaultDialer.DialContext(ctx, u, header)
	switch {
	case ctx.Err() != nil:
		return nil
	case errors.Is(err, websocket.ErrBadHandshake):
		return fmt.Errorf("%s answers %s and not with frames: is it the address that plumbline printed?", address, answer.Status)
	case err != nil:
		return fmt.Errorf("no plumbline answers at %s: start one, or give the address it printed (%w)", address, err)
	}
	defer conn.Close()
	unhook := context.AfterFunc(ctx, func() { conn.Close() }) // wakes the reader
	defer unhook()

	err = f.follow(conn, json.NewEncoder(cmd.OutOrStdout()))
	var closed *websocket.CloseError
	switch {
	case ctx.Err() != nil:
		return nil
	case errors.As(err, &closed):
		return fmt.Errorf("%s has ended the connection: %s", address, closed.Text)
	}
	return err
}

// follow prints frames until it has enough. What they mean comes in messages of
// its own in front of them.
func (f *followFlags) follow(conn *websocket.Conn, out *json.Encoder) error {
	conn.SetPingHandler(func(data string) error {
		conn.SetReadDeadline(time.Now().Add(followSilence))
		return conn.WriteControl(websocket.PongMessage, []byte(data), time.Now().Add(time.Second))
	})
	out.SetEscapeHTML(false)
	var (
		frame wire.Frame
		seen  scenery
	)
	for printed := uint(0); f.frames == 0 || printed < f.frames; {
		conn.SetReadDeadline(time.Now().Add(followSilence))
		kind, data, err := conn.ReadMessage()
		if err != nil {
			return err
		}
		if kind == websocket.TextMessage {
			if err := seen.take(data); err != nil {
				return fmt.Errorf("a message is not understood: %w: is that plumbline of another version?", err)
			}
			continue
		}
		if err := frame.Decode(data); err != nil {
			return fmt.Errorf("a frame is not understood: %w: is that plumbline of another version?", err)
		}
		if err := conn.WriteJSON(wire.ClientMessage{Type: wire.TypeAck, Seq: frame.Seq}); err != nil {
			return err
		}
		if frame.Epoch != seen.hello.Epoch {
			continue // its grid is not announced yet
		}
		speed := verdict.SpeedOfSound(seen.state.Settings.TemperatureC)
		if err := out.Encode(wire.NewObject(&frame, seen.hello, seen.state, seen.verdicts, speed)); err != nil {
			return err
		}
		printed++
	}
	return nil
}

// scenery is what was said in text so far.
type scenery struct {
	hello    wire.Hello
	state    wire.State
	verdicts []wire.Verdict
}

func (s *scenery) take(data []byte) error {
	var kind struct {
		Type string `json:"type"`
	}
	if err := json.Unmarshal(data, &kind); err != nil {
		return err
	}
	switch kind.Type {
	case wire.TypeHello:
		return json.Unmarshal(data, &s.hello)
	case wire.TypeState:
		var m wire.StateMessage
		err := json.Unmarshal(data, &m)
		s.state = m.State
		return err
	case wire.TypeVerdict:
		var v wire.Verdict
		err := json.Unmarshal(data, &v)
		for i := range s.verdicts {
			if s.verdicts[i].Microphone == v.Microphone {
				s.verdicts[i] = v
				return err
			}
		}
		s.verdicts = append(s.verdicts, v)
		return err
	}
	return nil // of a newer version, or not for us
}

// liveURL turns the address that plumbline prints into that of its frames.
func liveURL(address string) (string, error) {
	if !strings.Contains(address, "://") {
		address = "http://" + address
	}
	u, err := url.Parse(address)
	if err != nil || u.Host == "" {
		return "", fmt.Errorf("%q is no address: give the one that plumbline printed, such as http://127.0.0.1:8737", address)
	}
	switch u.Scheme {
	case "http", "ws":
		u.Scheme = "ws"
	case "https", "wss":
		u.Scheme = "wss"
	default:
		return "", fmt.Errorf("%q is no address of a plumbline: give the one it printed, such as http://127.0.0.1:8737", address)
	}
	u.Path, u.RawQuery, u.Fragment = "/api/v1/live", "", ""
	return u.String(), nil
}
