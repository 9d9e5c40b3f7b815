package device

import (
	"errors"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"plumbline/capture"
)

// No two devices have one ID, and each is found by its own: also where the number
// that tells twins apart would be another device's name.
func TestEveryTwinHasItsOwnID(t *testing.T) {
	for _, tc := range []struct {
		what  string
		devs  []Device
		wants []string
	}{
		{"twins with an address", []Device{
			{Host: "ALSA", Name: "Interface (hw:1,0)"},
			{Host: "ALSA", Name: "Interface (hw:2,0)"},
		}, []string{"alsa/interface", "alsa/interface-2"}},
		{"twins without one", []Device{
			{Host: "Core Audio", Name: "Interface"},
			{Host: "Core Audio", Name: "Interface"},
			{Host: "Core Audio", Name: "Interface"},
		}, []string{"core-audio/interface", "core-audio/interface-2", "core-audio/interface-3"}},
		{"one host each", []Device{
			{Host: "MME", Name: "Interface"},
			{Host: "Windows WASAPI", Name: "Interface"},
		}, []string{"mme/interface", "windows-wasapi/interface"}},
		{"a number as a name, behind", []Device{
			{Host: "Core Audio", Name: "Interface"},
			{Host: "Core Audio", Name: "Interface"},
			{Host: "Core Audio", Name: "Interface 2"},
		}, []string{"core-audio/interface", "core-audio/interface-3", "core-audio/interface-2"}},
		{"a number as a name, in front", []Device{
			{Host: "Core Audio", Name: "Interface 2"},
			{Host: "Core Audio", Name: "Interface"},
			{Host: "Core Audio", Name: "Interface"},
			{Host: "Core Audio", Name: "Interface 2"},
		}, []string{"core-audio/interface-2", "core-audio/interface", "core-audio/interface-3", "core-audio/interface-2-2"}},
	} {
		t.Run(tc.what, func(t *testing.T) {
			for i := range tc.devs {
				tc.devs[i].Inputs, tc.devs[i].index = 2, i
			}
			h := newFake(t, tc.devs...)
			all, err := list(h)
			if err != nil {
				t.Fatal(err)
			}
			for i, d := range all {
				if d.ID != tc.wants[i] {
					t.Errorf("device %d, %q, is %q, want %q", i, d.Name, d.ID, tc.wants[i])
				}
				s, err := openSource(h, Config{ID: d.ID})
				if err != nil {
					t.Errorf("open %q: %v", d.ID, err)
				} else if got := s.params.device.index; got != i {
					t.Errorf("%q opens device %d, want %d", d.ID, got, i)
				}
			}
		})
	}
}

// A name that two devices have is not taken for either of them: who asks is told
// what to ask for. The host's full names tell them apart where they differ.
func TestANameOfTwoDevicesIsRefused(t *testing.T) {
	first := Device{Host: "Core Audio", Name: "Interface", Inputs: 2}
	second := first
	second.index = 1
	h := newFake(t, first, second)
	_, err := openSource(h, Config{ID: "Interface"})
	if !errors.Is(err, capture.ErrNoDevice) || !strings.Contains(err.Error(), "core-audio/interface, core-audio/interface-2") {
		t.Errorf("error is %v, want both IDs", err)
	}

	first.Host, first.Name = "ALSA", "Interface (hw:1,0)"
	second.Host, second.Name = "ALSA", "Interface (hw:2,0)"
	h = newFake(t, first, second)
	for i, id := range []string{first.Name, second.Name} {
		s, err := openSource(h, Config{ID: id})
		if err != nil {
			t.Fatal(err)
		}
		if got := s.params.device.index; got != i {
			t.Errorf("%q opens device %d, want %d", id, got, i)
		}
	}
}

// While one of two twins is away the other is not taken for it, though it is now
// the only one of the name: what it hears is another place. The one that went is
// taken again when it is back, told by its address, or when both are there again.
func TestALostTwinIsNotReplacedByTheOther(t *testing.T) {
	for _, tc := range []struct {
		what  string
		names [2]string
		takes string
		back  []string // the host's list when it is back
	}{
		{"address kept", [2]string{"Interface (hw:1,0)", "Interface (hw:2,0)"}, "alsa/interface",
			[]string{"Interface (hw:2,0)", "Interface (hw:1,0)"}},
		{"another address", [2]string{"Interface (hw:1,0)", "Interface (hw:2,0)"}, "alsa/interface",
			[]string{"Interface (hw:2,0)", "Interface (hw:3,0)"}},
		{"no addresses", [2]string{"Interface", "Interface"}, "alsa/interface",
			[]string{"Interface", "Interface"}},
	} {
		t.Run(tc.what, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				twin := func(name string, index int) Device {
					return Device{Name: name, Host: "ALSA", Inputs: 8, index: index}
				}
				h := newFake(t, twin(tc.names[0], 0), twin(tc.names[1], 1))
				var opened []string
				h.event = func(s *fakeStream) {
					if s.buffers == 0 {
						opened = append(opened, s.p.device.Name)
					}
					if s.buffers == 100 && len(opened) == 1 {
						s.err = errors.New("the cable was pulled")
						h.set(twin(tc.names[1], 0))
						time.AfterFunc(4500*time.Millisecond, func() {
							var devs []Device
							for i, name := range tc.back {
								devs = append(devs, twin(name, i))
							}
							h.set(devs...)
						})
					}
				}
				_, blocks, states := run(t, h, Config{ID: tc.takes}, 10*time.Second)
				if st := states[30]; st.State != capture.Lost || !strings.Contains(st.Text, "cannot be told from") {
					t.Errorf("while it is away: %+v", st)
				}
				if len(opened) != 2 || opened[1] == tc.names[1] && tc.names[0] != tc.names[1] {
					t.Errorf("opened %q, want the first device twice", opened)
				}
				if g, at := gaps(blocks); len(g) != 1 || g[0].Cause != capture.Reopened || math.Abs(float64(g[0].LostFrames)-5*48000) > 480 {
					t.Errorf("gaps %+v at %v, want one of 5 s", g, at)
				}
				if st := states[65]; st.State != capture.Running {
					t.Errorf("when it is back: %+v", st)
				}
			})
		})
	}
}
