package polarity_test

import (
	"encoding/gob"
	"fmt"
	"math"
	"os"
	"sync"
	"testing"

	"plumbline/analyze/arrival"
	"plumbline/analyze/internal/programme"
	"plumbline/analyze/internal/truth"
	"plumbline/analyze/polarity"
	"plumbline/analyze/response"
)

type cached struct {
	S    *response.Spectra
	List []arrival.Arrival
}

func load(t *testing.T, kind string, i int, make func() cached) (c cached) {
	path := fmt.Sprintf("/tmp/polcache/%s%d.gob", kind, i)
	if f, err := os.Open(path); err == nil {
		defer f.Close()
		if err := gob.NewDecoder(f).Decode(&c); err == nil {
			return c
		}
	}
	c = make()
	os.MkdirAll("/tmp/polcache", 0o755)
	f, _ := os.Create(path)
	defer f.Close()
	if err := gob.NewEncoder(f).Encode(c); err != nil {
		t.Fatal(err)
	}
	return c
}

// dominates is by how much a loudspeaker must be louder to be what is heard, dB.
const dominates = 6

// mistake is what a verdict says that is not so in a scene, "" if nothing is.
//
// A band that is named must have the sign of what is heard there, third octave by
// third octave: where one loudspeaker dominates that one's, where none does and
// both agree theirs. Where none does and they differ, no sign is right, unless the
// verdict says which arrival it is about: then it must be that one's. Half an octave
// about a crossover that turns the sign by design is left out.
func mistake(s programme.Scene, v polarity.Verdict) string {
	about := &s.Main
	named := 0.0
	count := 0
	for _, b := range v.Bands {
		if b.Sign == 0 {
			continue
		}
		wrong, open, cells := 0, 0, 0
		for k := range 29 {
			hz := math.Pow(10, float64(14+k)/10)
			if hz < b.LowHz || hz > b.HighHz {
				continue
			}
			m, p := s.Main, s.Partner
			d := m.LevelDB(hz) - p.LevelDB(hz)
			named += d
			count++
			near := func(l programme.Loudspeaker) bool {
				return l.Heard(1e9) != l.Heard(1) && math.Abs(math.Log2(hz/l.Box.CrossoverHz)) < 0.5
			}
			var want int
			switch {
			case v.Several && math.Abs(v.DelayMs/1000-m.DelayS) < math.Abs(v.DelayMs/1000-p.DelayS):
				want = m.Heard(hz)
				if near(m) {
					continue
				}
			case v.Several:
				want = p.Heard(hz)
				if near(p) {
					continue
				}
			case d >= dominates:
				want = m.Heard(hz)
				if near(m) {
					continue
				}
			case d <= -dominates:
				want = p.Heard(hz)
				if near(p) {
					continue
				}
			default:
				if near(m) || near(p) {
					continue
				}
				if m.Heard(hz) == p.Heard(hz) {
					want = m.Heard(hz)
				}
			}
			cells++
			switch want {
			case -b.Sign:
				wrong++
			case 0:
				open++
			}
		}
		if wrong > 0 || 2*open > cells {
			return fmt.Sprintf("%.0f…%.0f Hz %+d: of %d third octaves %d are otherwise, %d open", b.LowHz, b.HighHz, b.Sign, cells, wrong, open)
		}
	}
	if v.Sign == 0 {
		return ""
	}
	switch {
	case v.Several && math.Abs(v.DelayMs/1000-s.Main.DelayS) > math.Abs(v.DelayMs/1000-s.Partner.DelayS), !v.Several && named < 0:
		about = &s.Partner
	}
	if about.Sign != v.Sign {
		return "the sign of the loudspeaker that is heard most"
	}
	return ""
}

func TestSumsScratch(t *testing.T) {
	n := 60
	fmt.Sscan(os.Getenv("N"), &n)
	var mu sync.Mutex
	wrong, nothing, tot, und := map[string]int{}, map[string]int{}, map[string]int{}, map[string]int{}
	truth.Trials(n, func(i int) {
		s := programme.RandomScene(uint64(i))
		c := load(t, "sum", i, func() cached {
			x, y := s.Render(48000, 4.9)
			sp, list := measureAll(t, x, y, 48000)
			return cached{sp, list}
		})
		v := polarity.Judge(c.S)
		arrival.Agree(c.List, &v)
		m := mistake(s, v)
		for _, a := range c.List {
			for who, l := range map[string]programme.Loudspeaker{"main": s.Main, "partner": s.Partner} {
				if s.Kind == "sub" && who == "partner" || math.Abs(a.DelayMs-l.DelayS*1000) > 0.35 || math.Abs(s.Main.DelayS-s.Partner.DelayS) < 0.0007 && s.Kind != "sub" {
					continue
				}
				mu.Lock()
				tot[who]++
				switch a.Sign {
				case 0:
					und[who]++
				case -l.Sign:
					wrong[who]++
					t.Logf("ARR %d %s: %v: %v", i, who, a, s)
				}
				mu.Unlock()
			}
		}
		mu.Lock()
		defer mu.Unlock()
		tot[s.Kind]++
		if v.Sign == 0 {
			und[s.Kind]++
			und[v.Reason]++
		}
		if v.Sign == 0 {
			nothing[s.Kind]++
		}
		if m != "" {
			wrong[s.Kind]++
			t.Logf("%d: %v\n   %v\n   %+v\n   %v", i, m, s, v, c.List)
		}
	})
	t.Logf("of %v wrong %v, undecided %v, nothing named %v", tot, wrong, und, nothing)
}

func TestLinearScratch(t *testing.T) {
	n := 60
	fmt.Sscan(os.Getenv("N"), &n)
	var mu sync.Mutex
	wrong, nothing, ring := 0, 0, 0
	truth.Trials(n, func(i int) {
		s := programme.RandomStraight(uint64(i))
		c := load(t, "lin", i, func() cached {
			x, y := s.Render(48000, 4.9)
			sp, list := measureAll(t, x, y, 48000)
			return cached{sp, list}
		})
		v := polarity.Judge(c.S)
		mu.Lock()
		defer mu.Unlock()
		bad := ""
		switch v.Sign {
		case 0:
			nothing++
			bad = "undecided"
		case -s.Sign:
			wrong++
			bad = "WRONG"
		}
		for _, a := range c.List {
			if d := math.Abs(a.DelayMs - s.DelayS*1000); !s.Room && d > 0.1 {
				ring++
				bad += "ring"
				break
			}
		}
		if bad != "" {
			t.Logf("%s %d: %v\n   %+v\n   %v", bad, i, s, v, c.List)
		}
	})
	t.Logf("of %v wrong %v, undecided %v, rings %v", n, wrong, nothing, ring)
}
