package arrival

import (
	"cmp"
	"math"
	"slices"
)

// hears takes note that the sound arrives as known, and how much of it.
func (f *Follower) hears(share float64) {
	if f.usual == 0 {
		f.usual = share / 2 // it may have been a lucky one
	}
	f.usual += 0.05 * (share - f.usual)
	f.doubtSince = -1
	if f.fresh < 0 {
		f.said = -1
	}
}

// paused says whether the programme does: the newest windows hold nothing of it.
func (f *Follower) paused() bool {
	level := func(s *short) float64 {
		sum := 0.0
		for _, v := range s.xx {
			sum += v
		}
		return sum / max(s.sum, 1e-9)
	}
	return level(&f.fast) < 1e-5*level(&f.slow)
}

// track looks at what the short windows say about the known delay.
func (f *Follower) track() bool {
	w := f.finder.Workspace
	if f.paused() {
		return false // nothing to learn
	}
	if f.louder() {
		f.restart(f.samples(2 * fastS))
		f.slow.copyFrom(&f.fast)
		f.changes++
		f.stale()
	}
	guess := f.arrival.DelayMs / 1000 * w.rate
	at, value, share := f.fast.glance(w, f.trust, guess, f.sign, f.usual)
	// To the sample, the glance sees each change at once; finer looks cost more.
	f.looks++
	sign := int(math.Copysign(1, value))
	same := f.known.ok && math.Abs(at-f.known.delay) <= 1 && sign == f.sign
	if same && share >= 0.5*f.usual && f.looks%6 != 0 {
		f.hears(share)
		return false
	}
	if off := math.Abs(at - f.known.delay); f.known.ok && sign != f.sign && off > 1 && off <= apartMs/1000*w.rate && share >= 0.5*f.usual {
		// Another lobe of it has got a little larger: nobody turns a box and moves it by
		// so little at once, and who does is found out by check.
		f.doubtSince = -1
		return false
	}
	fast := f.fast.refine(w, at, math.Copysign(1, value))
	astray := math.Abs(fast.delay-guess) > farMs/1000*w.rate && fast.sd > sureMs/1000*w.rate
	if !fast.ok || astray || share < 0.5*f.usual {
		if f.doubtSince < 0 {
			// Search once the newest sound is nearly all of it new.
			f.doubtSince = f.clock
			f.jobs[searchJob].due = max(f.clock+f.samples(0.1), f.changed+f.samples(newS))
			f.failures = 0
		}
		return false
	}
	f.hears(share)
	flipped := f.known.ok && sign != f.sign
	f.sign = sign
	// The slow averages change little from one look to the next.
	slow, strays := f.known, func() bool {
		return flipped || math.Abs(fast.delay-f.known.delay) > 3*math.Hypot(fast.noise, f.known.noise)+2e-5*w.rate
	}
	again := f.looks%12 == 0
	if again || !slow.ok || strays() {
		slow = f.slow.refine(w, guess, math.Copysign(1, value))
		f.known = slow
	}
	moved := !slow.ok || strays()
	if moved {
		f.slow.copyFrom(&f.fast)
		slow = fast
	} else if again {
		f.slow.judgeBands(w, f.trust, slow.delay)
	}
	f.known = slow
	before := f.arrival
	f.take(slow, sign)
	if moved && (flipped || math.Abs(f.arrival.DelayMs-before.DelayMs) > 0.05) {
		// What the long averages hold is out of date, and so is the list.
		changed := f.changed
		f.restart(f.samples(0.1))
		p := peak{at: (slow.delay + float64(w.early)) / float64(w.decimate), amplitude: value}
		f.changed = max(changed, f.clock-f.finder.since(p, f.samples(lookBackS)))
		f.changes++
		f.stale()
	}
	if off := slow.delay - float64(f.fast.delay); math.Abs(off) > float64(w.m/32) {
		delay, from := int(math.Round(slow.delay)), f.finder.history.end-f.samples(0.25)
		f.fast.align(w, &f.finder.history, delay, from)
		f.slow.align(w, &f.finder.history, delay, from)
		f.windows()
	}
	return true
}

// louder says whether all has got louder or softer: what stays as it is re the
// strongest arrival, check cannot see.
func (f *Follower) louder() bool {
	const longS = 1 // of averages to compare with
	w := f.finder.Workspace
	if f.fresh >= 0 || !f.known.ok || f.slow.seconds(w) < longS {
		f.loud = 0
		return false
	}
	db := 20 * math.Log10(max(f.fast.gainOver(&f.slow, w), 1e-6))
	switch {
	case math.Abs(db) < louderDB:
		f.loud = 0
		return false
	case db > 0 != (f.loud > 0):
		f.loud = 0
	}
	f.loud += int(math.Copysign(1, db))
	if f.loud < louderLooks && f.loud > -louderLooks {
		return false
	}
	f.loud = 0
	return true
}

const (
	louderDB    = 2
	louderLooks = 6 // in a row
)

// take makes the followed arrival, and its place in the list, what the short
// windows say.
func (f *Follower) take(at fit, sign int) {
	w := f.finder
	before := f.arrival
	f.arrival.DelayMs = at.delay * 1000 / w.rate
	f.arrival.DelaySDMs = at.sd * 1000 / w.rate
	if a := &f.arrival; a.front*sign < 0 { // flipped
		a.front, a.Sign, a.own.sign = sign, -a.Sign, -a.own.sign
	}
	for i := range f.list {
		if f.list[i].DelayMs == before.DelayMs {
			f.arrival.LevelDB = f.list[i].LevelDB
			f.list[i] = f.arrival
			break
		}
	}
	// It may have overtaken another.
	slices.SortFunc(f.list, func(a, b Arrival) int { return cmp.Compare(a.DelayMs, b.DelayMs) })
}
