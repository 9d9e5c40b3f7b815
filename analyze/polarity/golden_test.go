package polarity_test

import (
	"testing"

	"plumbline/analyze/internal/golden"
	"plumbline/analyze/internal/programme"
	"plumbline/analyze/polarity"
)

// Verdicts on boxes, sums, pairs and straight phases are as before, confidence and all.
func TestUnchanged(t *testing.T) {
	type seen struct {
		Name    string
		Verdict polarity.Verdict
	}
	var all []seen
	for seed := range uint64(8) {
		box := programme.RandomBox(programme.New(400 + seed))
		box.HighReversed = seed%4 == 1
		if seed%4 == 1 {
			box.Crossover, box.CrossoverHz = programme.LinkwitzRiley4, 1500
		}
		c := simulate(t, seed, box, 4)
		all = append(all, seen{c.String(), polarity.Judge(c.Spectra)})
	}
	for seed := range uint64(5) {
		scene := programme.RandomScene(700 + seed)
		x, y := scene.Render(48000, 5)
		all = append(all, seen{scene.String(), polarity.Judge(measure(t, x, y, 48000))})
		pair := programme.RandomPair(800 + seed)
		x, y = pair.Render(48000, 5)
		all = append(all, seen{pair.String(), polarity.Judge(measure(t, x, y, 48000))})
	}
	for seed := range uint64(2) {
		straight := programme.RandomStraight(900 + seed)
		x, y := straight.Render(48000, 5)
		all = append(all, seen{straight.String(), polarity.Judge(measure(t, x, y, 48000))})
	}
	golden.Check(t, "verdicts", all)
}
