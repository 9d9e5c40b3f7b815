package daemon

import (
	"strings"
	"testing"
	"time"

	"plumbline/capture/rig"
	"plumbline/stream"
	"plumbline/stream/wire"
)

// said makes a test of both: with the rig's own word that something was changed,
// and without, as on a device.
func said(t *testing.T, visit func(t *testing.T, unmarked bool)) {
	t.Run("said", func(t *testing.T) { visit(t, false) })
	t.Run("unsaid", func(t *testing.T) { visit(t, true) })
}

func speaker(name string, p wire.LoudspeakerPatch) stream.RigPatch {
	return stream.RigPatch{Loudspeakers: map[string]wire.LoudspeakerPatch{name: p}}
}

func TestDemoFlip(t *testing.T) {
	said(t, func(t *testing.T, unmarked bool) {
		open(t, rig.Demo(), unmarked, func(v *venue) {
			v.wait(6 * time.Second)
			same := "same"
			v.change(speaker("fill", wire.LoudspeakerPatch{Polarity: &same}))
			for i := range 20 {
				v.wait(250 * time.Millisecond)
				o := v.frame()
				m := o.Microphones[0]
				t.Logf("%.2f %s %v", 0.25*float64(i+1), m.Verdict, m.Polarity.Verdict)
				for _, a := range m.Arrivals {
					t.Logf("    %.2f %.1f %s", float64(a.DelayMs), float64(a.LevelDB), a.Polarity)
				}
			}
			_ = strings.Contains
		})
	})
}
