package arrival

import (
	"testing"

	"plumbline/analyze/internal/golden"
	"plumbline/analyze/internal/programme"
)

// Arrivals of takes, of two boxes, of what repeats itself and of nothing are as before,
// those of a whole recording and those that are followed.
func TestUnchanged(t *testing.T) {
	const rate = 48000
	type seen struct {
		Name     string
		List     []Arrival
		Reason   string
		PeriodS  float64
		Several  bool
		Newest   []Arrival
		Followed []Arrival // at times
		Delays   []float64
		DelaySDs []float64
		Reasons  []string
		Changes  uint64
		SettledS float64
	}
	var all []seen
	look := func(name string, x, y []float64, settings Config) {
		f := newFinder(t, settings)
		f.Feed(x, y)
		s := seen{Name: name}
		s.List, s.Reason = f.Find(nil)
		s.PeriodS, s.Several = f.PeriodS(), f.Several()
		s.Newest, _ = f.FindNewest(nil, 0.4)
		follower, err := NewFollower(settings)
		if err != nil {
			t.Fatal(err)
		}
		for at := 0; at+480 <= len(x); at += 480 {
			follower.Feed(x[at:at+480], y[at:at+480])
			if at/480%4 == 3 {
				follower.Step()
			}
			if at/480%90 == 89 {
				a, _, reason := follower.Delay()
				s.Delays, s.DelaySDs, s.Reasons = append(s.Delays, a.DelayMs), append(s.DelaySDs, a.DelaySDMs), append(s.Reasons, reason)
				s.Followed = append(s.Followed, follower.Arrivals(nil)...)
			}
		}
		s.Changes, s.SettledS = follower.Changes(), follower.SettledS()
		all = append(all, s)
	}
	cfg := Config{SampleRateHz: rate, MaxDelayS: 0.3}
	for seed := range uint64(4) {
		take := programme.RandomTake(100+seed, rate, 5)
		look(take.Name, take.X, take.Y, cfg)
	}
	for seed := range uint64(3) {
		scene := programme.RandomScene(200 + seed)
		x, y := scene.Render(rate, 5)
		look(scene.String(), x, y, cfg)
	}
	x, y, _, _ := twoBoxes(t, 5, rate)
	look("two boxes", x, y, cfg)
	take := programme.RandomTake(7, rate, 6)
	// It is turned over, 3 dB softer and later from the middle on.
	late := programme.Delay(take.Y, rate, 0.004)
	for i := len(late) / 2; i < len(late); i++ {
		take.Y[i] = -0.7 * late[i]
	}
	look("changed on the way", take.X, take.Y, Config{SampleRateHz: rate, MaxDelayS: 0.3, TimeConstantS: 2, Max: 3, Stagger: 0.5})
	narrow := programme.RandomNarrow(3, rate, 5)
	look(narrow.Name, narrow.X, narrow.Y, cfg)
	other := programme.RandomTake(8, rate, 5)
	look("unrelated", narrow.X[:len(other.Y)], other.Y, cfg)
	look("turned round", take.Y[:4*rate], take.X[:4*rate], cfg)
	golden.Check(t, "arrivals", all)
}
