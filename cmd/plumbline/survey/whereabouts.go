package survey

import (
	"encoding/json"
	"math"
	"slices"

	"plumbline/analyze/air"
	"plumbline/stream/show"
	"plumbline/stream/wire"
)

// How well arrival times can be held against each other, standard deviations.
const (
	placeMs   = 0.3   // of a microphone that is put back to a seat: some 10 cm
	stillMs   = 0.03  // of one that nobody has touched: 1 cm
	airPart   = 0.002 // of an arrival: a degree of the air that nobody has measured
	agreeIn   = 2.0   // standard deviations; up to there they are the same
	differIn  = 4.0   // and from there on they are not; between the two it cannot be told
	besideDB  = 6.0   // an arrival less than that below the strongest may be the strongest next time
	leastKnow = 2     // loudspeakers, of which the times together say where a microphone is
)

// heardAt is one arrival of a loudspeaker: as it would be without delay of the processor.
type heardAt struct{ ms, sdMs float64 }

// times are the arrivals of each loudspeaker alone that may be its strongest, by its id.
type times map[int64][]heardAt

// timesOf are those of one take, in air of so many degrees.
func timesOf(arrivals []wire.ArrivalObject, dialledMs, takenC, nowC float64) (out []heardAt) {
	strongest := math.Inf(-1)
	for _, a := range arrivals {
		strongest = max(strongest, float64(a.LevelDB))
	}
	slower := air.SpeedOfSound(takenC) / air.SpeedOfSound(nowC)
	for _, a := range arrivals {
		if float64(a.LevelDB) < strongest-besideDB {
			continue
		}
		sd := float64(a.DelaySDMs)
		if math.IsNaN(sd) {
			sd = 0
		}
		out = append(out, heardAt{(float64(a.DelayMs) - dialledMs) * slower, sd})
	}
	return out
}

// apart is by how many standard deviations two are apart, at the nearest of their arrivals;
// place is how well the microphone is put where it was, ms.
func apart(a, b []heardAt, place float64) float64 {
	least := math.Inf(1)
	for _, x := range a {
		for _, y := range b {
			least = min(least, math.Abs(x.ms-y.ms)/deviation(x, y, place))
		}
	}
	return least
}

func deviation(x, y heardAt, place float64) float64 {
	return math.Sqrt(x.sdMs*x.sdMs+y.sdMs*y.sdMs+place*place) + airPart*math.Abs(y.ms)*place/placeMs
}

// apartBetween is the same of the difference between two loudspeakers.
func apartBetween(a1, a2, b1, b2 []heardAt, place float64) float64 {
	least := math.Inf(1)
	for _, x1 := range a1 {
		for _, x2 := range a2 {
			for _, y1 := range b1 {
				for _, y2 := range b2 {
					d := math.Hypot(deviation(x1, y1, place), deviation(x2, y2, place))
					least = min(least, math.Abs((x1.ms-x2.ms)-(y1.ms-y2.ms))/d)
				}
			}
		}
	}
	return least
}

// farthest is the greatest of what lies between the times now and those of a seat: each
// loudspeaker's own and the differences. known counts the loudspeakers that both have.
func farthest(now, then times, place float64) (most float64, known int) {
	var ids []int64
	for id := range now {
		if len(now[id]) > 0 && len(then[id]) > 0 {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	for i, id := range ids {
		most = max(most, apart(now[id], then[id], place))
		for _, other := range ids[:i] {
			most = max(most, apartBetween(now[id], now[other], then[id], then[other], place))
		}
	}
	return most, len(ids)
}

// whereabouts is the seat, other than the chosen one, that the arrival times now are those
// of; 0 when they do not say. Every loudspeaker that was heard must have been heard there,
// two at the least, no other seat may have such times, and those of the chosen one must be
// clearly others. A seat where none of them was measured has no times: then only those of a
// microphone that nobody has touched are enough.
func whereabouts(now times, chosen int64, seats map[int64]times) (found int64) {
	heard := 0
	for _, list := range now {
		if len(list) > 0 {
			heard++
		}
	}
	if heard < leastKnow || heard < len(now) {
		return 0
	}
	off, known := farthest(now, seats[chosen], placeMs)
	if known > 0 && off < differIn {
		return 0
	}
	for id, then := range seats {
		if id == chosen {
			continue
		}
		off, n := farthest(now, then, placeMs)
		if n == 0 || off > differIn {
			continue
		}
		if found != 0 { // two such
			return 0
		}
		if n < heard || off > agreeIn { // perhaps there
			return 0
		}
		if found = id; known == 0 {
			if still, _ := farthest(now, then, stillMs); still > agreeIn {
				return 0
			}
		}
	}
	return found
}

// hinted says that one loudspeaker's times leave open that it is another seat.
func hinted(now times, chosen int64, seats map[int64]times) bool {
	if off, known := farthest(now, seats[chosen], placeMs); known > 0 && off < differIn {
		return false
	}
	for id, then := range seats {
		if off, n := farthest(now, then, placeMs); id != chosen && n > 0 && off <= agreeIn {
			return true
		}
	}
	return false
}

// stored are the times of each seat: of the newest take of each loudspeaker alone that was
// measured at this daemon's reference, with what was known to be set taken off.
func (j *job) stored() (map[int64]times, error) {
	takes, err := j.show.Takes(show.Filter{})
	if err != nil {
		return nil, err
	}
	out := map[int64]times{}
	at := map[[2]int64]int64{}
	for i := range takes {
		t := &takes[i]
		if t.Origin != show.Measured || t.Damaged != "" || len(t.Loudspeakers) != 1 || t.Seat == 0 || t.Reference != j.setup.Reference || t.Source != j.setup.Source {
			continue
		}
		id := t.Loudspeakers[0]
		if id != j.main.ID && id != j.fill.ID {
			continue
		}
		key := [2]int64{t.Seat, id}
		if t.ID < at[key] {
			continue
		}
		at[key] = t.ID
		if out[t.Seat] == nil {
			out[t.Seat] = times{}
		}
		var settings wire.TakeSettings
		json.Unmarshal(t.Settings, &settings) // a show from elsewhere may have other ones
		out[t.Seat][id] = timesOf(t.Results.Arrivals, settings.Dialled[j.loudspeaker(id).Name].DelayMs, t.TemperatureC, j.setup.TemperatureC)
	}
	return out, nil
}
