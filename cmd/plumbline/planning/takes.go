package planning

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"runtime"
	"slices"

	"golang.org/x/sync/errgroup"

	"plumbline/analyze/response"
	"plumbline/analyze/summation"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// seatTakes are the newest takes of one seat that belong together.
type seatTakes struct {
	seat         show.Seat
	a, b, both   *show.Take
	dialA, dialB wire.Dial // what was set when they were made
	knownA       bool      // and that is known
	knownB       bool
	specA, specB *response.Spectra
	specBoth     *response.Spectra
	nowA         *response.Spectra // as they would be taken now
	nowB         *response.Spectra
	turn         int     // −1 where that turns one of the two
	spreadMs     float64 // of the difference of arrival where heads are
	damage       string  // a take that could not be read, and its place is left out or its sum predicted
}

// collection is what a show has of two loudspeakers.
type collection struct {
	show       *show.Show
	main, fill show.Loudspeaker
	now        *force
	seats      []*seatTakes // complete ones, in the show's order
	missing    []string
	reasons    []string
}

func settingsOf(t *show.Take) (s wire.TakeSettings) {
	json.Unmarshal(t.Settings, &s) // an import may have other ones, or none
	return s
}

// collect picks the takes: at each seat the newest of A, the newest of B, and
// the newest of both that was made with A and B set as inForce says, or as in
// those where that is nil.
func collect(x *show.Show, main, fill string, inForce *force) (*collection, error) {
	c := &collection{show: x, now: inForce, missing: []string{}, reasons: []string{}}
	speakers, err := x.Loudspeakers()
	if err != nil {
		return nil, err
	}
	for _, want := range []struct {
		name string
		to   *show.Loudspeaker
	}{{main, &c.main}, {fill, &c.fill}} {
		i := slices.IndexFunc(speakers, func(l show.Loudspeaker) bool { return l.Name == want.name })
		if i < 0 {
			return nil, refuse(http.StatusNotFound, "not_found", "there is no loudspeaker %q in this show: add it, or choose another", want.name)
		}
		*want.to = speakers[i]
	}
	seats, err := x.Seats()
	if err != nil {
		return nil, err
	}
	takes, err := x.Takes(show.Filter{})
	if err != nil {
		return nil, err
	}
	for i := range takes {
		if takes[i].Damaged != "" {
			c.reasons = append(c.reasons, takes[i].Damaged)
		}
	}
	for _, seat := range seats {
		if s := (&seatTakes{seat: seat}); c.pick(s, takes) {
			c.seats = append(c.seats, s)
		}
	}
	if len(seats) == 0 {
		c.missing = append(c.missing, "No seat: add one and survey it.")
	}
	return c, c.readAll()
}

// force is what the loudspeakers are set to now, as far as it is known.
type force struct {
	known map[string]wire.Dial // of a virtual rig, its own settings; of a real one what was dialled in
	plans map[string]wire.Dial // what was dialled in by plans, on top of what nobody knows
}

// of is what a loudspeaker is set to now that was set to then when a take was made.
func (f *force) of(name string, known bool, then wire.Dial) wire.Dial {
	if f == nil {
		return then
	}
	from := f.plans
	if known {
		from = f.known
	}
	if d, ok := from[name]; ok {
		return d
	}
	return then
}

// newest is the last take of a seat that these loudspeakers made and ok takes.
func newest(takes []show.Take, seat int64, playing []int64, ok func(*show.Take) bool) *show.Take {
	slices.Sort(playing)
	for i := len(takes) - 1; i >= 0; i-- {
		if t := &takes[i]; t.Damaged == "" && t.Seat == seat && slices.Equal(t.Loudspeakers, playing) && (ok == nil || ok(t)) {
			return t
		}
	}
	return nil
}

// pick says whether a seat has takes of each alone that go together.
func (c *collection) pick(s *seatTakes, takes []show.Take) bool {
	s.a = newest(takes, s.seat.ID, []int64{c.main.ID}, nil)
	s.b = newest(takes, s.seat.ID, []int64{c.fill.ID}, nil)
	for _, side := range []struct {
		take *show.Take
		name string
	}{{s.a, c.main.Name}, {s.b, c.fill.Name}} {
		if side.take == nil {
			c.missing = append(c.missing, fmt.Sprintf("%s: %s alone", s.seat.Name, side.name))
		}
	}
	if s.a == nil || s.b == nil {
		return false
	}
	s.readDials(c.main.Name, c.fill.Name)
	s.both = newest(takes, s.seat.ID, []int64{c.main.ID, c.fill.ID}, func(t *show.Take) bool {
		set := settingsOf(t).Dialled
		_, knownA := set[c.main.Name]
		_, knownB := set[c.fill.Name]
		return sameDial(dialOf(set, c.main.Name), c.now.of(c.main.Name, knownA, s.dialA)) && sameDial(dialOf(set, c.fill.Name), c.now.of(c.fill.Name, knownB, s.dialB))
	})
	if s.both == nil {
		c.missing = append(c.missing, fmt.Sprintf("%s: %s and %s together, the sum is predicted", s.seat.Name, c.main.Name, c.fill.Name))
	}
	if why := c.unlike(s); why != "" {
		c.reasons = append(c.reasons, why)
		return false
	}
	return true
}

// readAll reads what was picked and leaves out seats that are unlike the first.
func (c *collection) readAll() error {
	var group errgroup.Group
	group.SetLimit(runtime.GOMAXPROCS(0))
	for _, s := range c.seats {
		group.Go(func() error { return c.read(s) })
	}
	if err := group.Wait(); err != nil {
		return err
	}
	c.seats = slices.DeleteFunc(c.seats, func(s *seatTakes) bool {
		if s.damage != "" {
			c.reasons = append(c.reasons, s.seat.Name+": "+s.damage+".")
		}
		return s.specA == nil || s.specB == nil
	})
	if len(c.seats) == 0 {
		return nil
	}
	first := c.seats[0]
	c.seats = slices.DeleteFunc(c.seats, func(s *seatTakes) bool {
		err := summation.Compatible(first.specA, s.specA)
		if err != nil {
			c.reasons = append(c.reasons, fmt.Sprintf("%s is left out: %v, as at %s.", s.seat.Name, err, first.seat.Name))
		}
		return err != nil
	})
	return nil
}

func (s *seatTakes) readDials(main, fill string) {
	a, b := settingsOf(s.a).Dialled, settingsOf(s.b).Dialled
	_, s.knownA = a[main]
	_, s.knownB = b[fill]
	s.dialA, s.dialB = dialOf(a, main), dialOf(b, fill)
}

// unlike says why two takes cannot be compared, before they are read.
func (c *collection) unlike(s *seatTakes) string {
	a, b := s.a, s.b
	says := func(what string, x, y any, do string) string {
		return fmt.Sprintf("%s is left out: %s was taken with %s %v and %s with %v: %s.", s.seat.Name, c.main.Name, what, x, c.fill.Name, y, do)
	}
	window := func(w wire.Window) string {
		if w == 0 {
			return "multi"
		}
		return fmt.Sprint(int(w))
	}
	for name, t := range map[string]*show.Take{c.main.Name: a, c.fill.Name: b} {
		if t.Results.AssumedPhase {
			return fmt.Sprintf("%s is left out: %s was imported without a phase, which a sum needs: import one with phase_deg, or measure it.", s.seat.Name, name)
		}
	}
	imported := a.Origin == show.Imported || b.Origin == show.Imported // they have no channels
	switch {
	case a.SampleRateHz != b.SampleRateHz:
		return says("sample rate", a.SampleRateHz, b.SampleRateHz, "take both at one rate")
	case a.Window != b.Window || a.Points != b.Points:
		return says("window", window(a.Window), window(b.Window), "take both with one window")
	case !imported && a.Reference != b.Reference:
		return says("reference channel", a.Reference, b.Reference, "their delays have nothing in common: take both against one reference")
	case !imported && a.Source != b.Source:
		return says("source", a.Source, b.Source, "their delays have nothing in common: take both from one source")
	}
	if t := s.both; t != nil && (t.SampleRateHz != a.SampleRateHz || t.Window != a.Window || t.Points != a.Points || !imported && (t.Reference != a.Reference || t.Source != a.Source)) {
		c.reasons = append(c.reasons, fmt.Sprintf("%s: the take of both was made otherwise than the others and is not used: take it again.", s.seat.Name))
		s.both = nil
	} else if t != nil && t.Results.AssumedPhase {
		c.reasons = append(c.reasons, fmt.Sprintf("%s: the take of both was imported without a phase and is not used: import one with phase_deg, or measure it.", s.seat.Name))
		s.both = nil
	}
	return ""
}

func (c *collection) read(s *seatTakes) error {
	for _, side := range []struct {
		take *show.Take
		to   **response.Spectra
	}{{s.a, &s.specA}, {s.b, &s.specB}, {s.both, &s.specBoth}} {
		if side.take == nil {
			continue
		}
		*side.to = new(response.Spectra)
		err := c.show.Spectra(side.take.ID, *side.to)
		var mine *wire.Error
		if errors.As(err, &mine) && mine.Code == show.CodeDamaged {
			s.damage, *side.to = mine.Text, nil // the rest can be used
			if side.take == s.both {
				s.both = nil
			}
			continue
		}
		if err != nil {
			return err
		}
	}
	return nil
}
