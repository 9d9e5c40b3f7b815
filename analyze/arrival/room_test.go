package arrival

import (
	"fmt"
	"math"
	"testing"

	"plumbline/analyze/internal/programme"
	"plumbline/analyze/internal/truth"
)

// Reverberation with the direct sound 6 dB above to 3 dB below all that follows it,
// on music and on speech, noise at 20 dB: the direct sound, as the first arrival
// and as the strongest, within 0.3 ms in at least 95 of 100, and the rest not
// found rather than wrong.
func TestDirectSoundInReverberation(t *testing.T) {
	n := 2
	if truth.Thorough {
		n = 50
	}
	const rate = 48000
	found, wrong, total := 0, 0, 0
	for _, kind := range []string{"music", "speech"} {
		for _, direct := range []float64{6, 3, 0, -3} {
			outcomes := make([]string, n)
			truth.Trials(n, func(i int) {
				r := programme.New(uint64(1000 + i))
				x := play(kind, uint64(i), rate, 5*rate)
				delay := 0.003 + 0.1*r.Float64()
				y := programme.Convolve(x, programme.Room(r, rate, delay, 0.4+1.6*r.Float64(), direct))
				list, _ := find(t, Config{}, x, programme.AddNoise(r, y, 20))
				switch {
				case len(list) == 0:
					outcomes[i] = "none"
				case math.Abs(list[0].DelayMs-1000*delay) > 0.3 || math.Abs(loudest(list).DelayMs-1000*delay) > 0.3:
					outcomes[i] = fmt.Sprintf("%s %+g dB case %d: direct sound at %.3f ms, got %+v", kind, direct, i, 1000*delay, list)
				}
			})
			for _, o := range outcomes {
				total++
				switch o {
				case "":
					found++
				case "none":
				default:
					wrong++
					t.Error(o)
				}
			}
		}
	}
	share := 100 * float64(found) / float64(total)
	if share < 95 {
		t.Errorf("found in %.1f of 100", share)
	}
	truth.Claim(t, "direct sound in reverberation (+6…−3 dB), music and speech: within 0.3 ms in ≥ 95 of 100, else not found", "own simulation: exponentially decaying noise with early reflections",
		fmt.Sprintf("%.1f of 100 found, %d wrong, of %d", share, wrong, total), truth.AtLeast(share, "95"))
}

// Channels that have nothing to do with each other, over the whole range of 1.5 s.
func TestUnrelatedChannelsGiveNothing(t *testing.T) {
	n := 1
	if truth.Thorough {
		n = 40
	}
	const rate = 48000
	kinds := []string{"white", "pink", "music", "speech"}
	alarms, total := 0, 0
	for _, kx := range kinds {
		for _, ky := range kinds {
			for _, seconds := range []float64{0.4, 1, 4} {
				outcomes := make([]string, n)
				truth.Trials(n, func(i int) {
					x := play(kx, uint64(i), rate, int(seconds*rate))
					y := play(ky, uint64(5000+i), rate, int(seconds*rate))
					list, reason := find(t, Config{}, x, y)
					if len(list) > 0 {
						outcomes[i] = fmt.Sprintf("%s and %s, %g s, case %d: %+v", kx, ky, seconds, i, list)
					} else if reason == "" {
						t.Error("nothing found and no reason")
					}
				})
				for _, o := range outcomes {
					total++
					if o != "" {
						alarms++
						t.Log("false alarm: " + o)
					}
				}
			}
		}
	}
	if rate := 100 * float64(alarms) / float64(total); rate > 1 {
		t.Errorf("%.2f %% false alarms", rate)
	}
	truth.Claim(t, "unrelated channels, 0.4…4 s of noise, music, speech: false alarms ≤ 1 %", "own simulation",
		fmt.Sprintf("%d of %d", alarms, total), truth.AtMost(100*float64(alarms)/float64(total), "1"))
}

// Two arrivals 1.5 ms apart, the second 6 dB weaker, either sign.
func TestTwoArrivals(t *testing.T) {
	n := 2
	if truth.Thorough {
		n = 25
	}
	const rate = 48000
	missed, total, worst := 0, 0, 0.0
	for _, kind := range []string{"white", "pink", "music", "speech"} {
		for _, sign := range []float64{1, -1} {
			outcomes := make([]string, n)
			errors := zeros(n)
			truth.Trials(n, func(i int) {
				r := programme.New(uint64(3000 + i))
				x := play(kind, uint64(i), rate, 5*rate)
				d := 0.02 + 0.01*r.Float64()
				y := programme.Delay(x, rate, d)
				for k, v := range programme.Delay(x, rate, d+0.0015) {
					y[k] = -y[k] + sign*0.5*v
				}
				list, reason := find(t, Config{}, x, programme.AddNoise(r, y, 20))
				outcomes[i] = fmt.Sprintf("%s %g case %d: %+v %s", kind, sign, i, list, reason)
				if len(list) != 2 {
					return
				}
				a, b := list[0], list[1]
				errors[i] = max(math.Abs(a.DelayMs-1000*d), math.Abs(b.DelayMs-1000*d-1.5))
				if errors[i] < 0.02 && a.Sign == -1 && b.Sign == int(sign) && math.Abs(b.LevelDB-a.LevelDB+6.02) < 0.5 {
					outcomes[i] = ""
				}
			})
			for i, o := range outcomes {
				total++
				worst = max(worst, errors[i])
				if o != "" {
					missed++
					t.Error(o)
				}
			}
		}
	}
	truth.Claim(t, "two arrivals 1.5 ms apart at −6 dB: both found, right sign each", "by construction",
		fmt.Sprintf("%d of %d, time off by %.4f ms at most", total-missed, total, worst))
}
