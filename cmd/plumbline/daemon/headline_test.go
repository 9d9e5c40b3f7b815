package daemon

import (
	"fmt"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"plumbline/capture/rig"
	"plumbline/cmd/plumbline/raced"
	"plumbline/stream/wire"
)

// Three loudspeakers at one seat, one of them reversed, the first, the middle or the last:
// the headline sends nobody to another one, by the number of its flag.
func TestHeadlineNamesTheReversedOne(t *testing.T) {
	raced.NotFor(t, "as many goroutines as in TestDemoReferenceStops, and half a minute of sound")
	hall := rig.Demo()
	hall.Room.Reflections = 0
	hall.Noise.LevelDBFS = -60
	at := func(name string, x, y, z, delayMs, gainDB float64) rig.Loudspeaker {
		return rig.Loudspeaker{Name: name, PositionM: rig.Position{x, y, z}, DelayMs: delayMs, GainDB: gainDB, Polarity: rig.Same, LowHz: 60, HighHz: 16000}
	}
	hall.Loudspeakers = []rig.Loudspeaker{at("first", 2, 4, 3, 0, 3), at("middle", 3, 8, 1.2, 12, 2), at("last", 4, 6, 3, 25, 2)}
	seat := hall.Microphones[0].PositionM
	for reversed := range hall.Loudspeakers {
		scene := hall
		scene.Loudspeakers = append([]rig.Loudspeaker(nil), hall.Loudspeakers...)
		l := &scene.Loudspeakers[reversed]
		l.Polarity = rig.Opposite
		var square float64
		for i := range seat {
			square += (seat[i] - l.PositionM[i]) * (seat[i] - l.PositionM[i])
		}
		trueMs := l.DelayMs + 1000*math.Sqrt(square)/(331.3*math.Sqrt(1+scene.TemperatureC/273.15))
		open(t, scene, true, func(v *venue) {
			v.wait(6 * time.Second)
			var list wire.Verdicts
			v.ask(http.MethodGet, "/api/v1/verdict", nil, &list)
			flag := 0
			for i, a := range v.frame().Microphones[0].Arrivals {
				if math.Abs(float64(a.DelayMs)-trueMs) < 0.2 {
					flag = i + 1
				}
			}
			said := list.Verdicts[0].Headline
			named := strings.Contains(said, fmt.Sprintf("check arrival %d's polarity", flag)) || strings.HasPrefix(said, fmt.Sprintf("Arrival %d is ", flag))
			if blames := strings.Contains(said, "polarity") || strings.Contains(said, "inverted"); flag == 0 || blames && !named {
				t.Errorf("the %s is reversed, flag %d: %q; %s", l.Name, flag, said, list.Verdicts[0].Text)
			}
			t.Logf("%s: %s", l.Name, said)
		})
	}
}
