package arrival

import (
	"fmt"
	"math"
	"os"
	"strconv"
	"testing"

	"plumbline/analyze/internal/programme"
)

func trials(thin int) int {
	if v := os.Getenv("TRIALS"); v != "" {
		n, _ := strconv.Atoi(v)
		return n
	}
	return thin
}

var kinds = []string{"white", "pink", "music", "speech"}

func make_(kind string, seed uint64, rate float64, n int) []float64 {
	r := programme.New(seed)
	switch kind {
	case "white":
		return programme.White(r, n)
	case "pink":
		return programme.Pink(r, rate, n)
	case "music":
		return programme.Music(r, rate, n)
	}
	return programme.Speech(r, rate, n)
}

func TestRoomX(t *testing.T) {
	const rate = 48000
	for _, kind := range []string{"music", "speech", "pink"} {
		for _, drr := range []float64{6, 3, 0, -3} {
			for _, secs := range []float64{3, 10} {
				good, wrongFirst, wrongStrong, none := 0, 0, 0, 0
				msg := ""
				n := trials(10)
				for i := range n {
					r := programme.New(uint64(1000 + i))
					x := make_(kind, uint64(i), rate, int(secs*rate))
					d := 0.003 + 0.1*r.Float64()
					h := programme.Room(r, rate, d, 0.4+1.6*r.Float64(), drr)
					y := programme.AddNoise(r, programme.Convolve(x, h), 20)
					list, reason := find(t, Config{}, x, y)
					if len(list) == 0 {
						none++
						msg += reason + ";"
						continue
					}
					s := list[0]
					for _, a := range list {
						if a.LevelDB > s.LevelDB {
							s = a
						}
					}
					ok := true
					if math.Abs(list[0].DelayMs-d*1000) > 0.3 {
						wrongFirst++
						ok = false
					}
					if math.Abs(s.DelayMs-d*1000) > 0.3 {
						wrongStrong++
						ok = false
						msg += fmt.Sprintf("[%.2f got %v]", d*1000, s)
					}
					if ok {
						good++
					}
				}
				t.Logf("%s %+g dB %gs: good %d first wrong %d strongest wrong %d none %d of %d %s", kind, drr, secs, good, wrongFirst, wrongStrong, none, n, msg)
			}
		}
	}
}

func TestFalseX(t *testing.T) {
	const rate = 48000
	for _, kx := range kinds {
		for _, ky := range kinds {
			for _, secs := range []float64{0.5, 2, 8} {
				alarms := 0
				n := trials(10)
				top := 0.0
				for i := range n {
					x := make_(kx, uint64(i), rate, int(secs*rate))
					y := make_(ky, uint64(5000+i), rate, int(secs*rate))
					f, _ := NewFinder(Config{SampleRateHz: rate})
					f.Feed(x, y)
					list, _ := f.Find(nil)
					top = max(top, math.Abs(f.list[0].amplitude)/f.list[0].floor)
					if len(list) > 0 {
						alarms++
					}
				}
				t.Logf("%s %s %g s: alarms %d of %d, top %.2f", kx, ky, secs, alarms, n, top)
			}
		}
	}
}
