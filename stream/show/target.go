package show

import (
	"io"
	"math"
)

// Limits of a target.
const (
	maxTargetPoints = 2000
	minTolerance    = 0.1 // dB
	maxTolerance    = 40
)

// DefaultToleranceDB is that of a target that says none.
const DefaultToleranceDB = 3

// Target is a curve that the live trace is to follow within a tolerance.
type Target struct {
	ID          int64        `json:"id"`
	Name        string       `json:"name"`
	Points      [][2]float64 `json:"points"`       // frequency in Hz, ascending, and level in dB
	OffsetDB    float64      `json:"offset_db"`    // laid over all points
	ToleranceDB float64      `json:"tolerance_db"` // up and down
	Shown       bool         `json:"shown"`
	Note        string       `json:"note"`
}

var targets = table[Target]{
	KindTarget, "targets", "name, points, offset, tolerance, shown, note",
	func(t *Target) (*int64, []any) {
		return &t.ID, []any{&t.Name, asJSON{&t.Points}, &t.OffsetDB, &t.ToleranceDB, &t.Shown, &t.Note}
	},
	func(t *Target) string { return t.Name },
	func(t *Target) error {
		if len(t.Points) == 0 || len(t.Points) > maxTargetPoints {
			return refuse(0, "points", "a target has 1 to %d points, not %d", maxTargetPoints, len(t.Points))
		}
		for i, p := range t.Points {
			if !(p[0] > 0 && p[0] <= maxHz) || !(math.Abs(p[1]) <= maxLevelDB) {
				return refuse(0, "points", "point %d of the target, %g Hz and %g dB, cannot be: frequencies are above 0 and levels within ±%d dB", i+1, p[0], p[1], maxLevelDB)
			}
			if i > 0 && p[0] <= t.Points[i-1][0] {
				return refuse(0, "points", "the frequencies of a target must ascend: %g Hz follows %g Hz", p[0], t.Points[i-1][0])
			}
		}
		if !(t.ToleranceDB >= minTolerance && t.ToleranceDB <= maxTolerance) {
			return refuse(0, "tolerance_db", "a tolerance of %g dB: choose %g to %d dB", t.ToleranceDB, minTolerance, maxTolerance)
		}
		if !(math.Abs(t.OffsetDB) <= maxLevelDB) {
			return refuse(0, "offset_db", "an offset of %g dB: choose one within ±%d dB", t.OffsetDB, maxLevelDB)
		}
		return checkNamed("target", t.Name, t.Note)
	},
}

// Targets lists the targets, the oldest first.
func (s *Show) Targets() ([]Target, error) { return targets.list(s) }

// PutTarget adds one (ID 0), with the usual tolerance if it says none, or changes the one
// of that ID.
func (s *Show) PutTarget(t Target, by string) (Target, error) {
	if t.ID == 0 && t.ToleranceDB == 0 {
		t.ToleranceDB = DefaultToleranceDB
	}
	return targets.put(s, t, by)
}

// ChangeTarget edits the one of that ID, with what others have changed of it; one that
// is deleted stays so.
func (s *Show) ChangeTarget(id int64, edit func(*Target) error, by string) (Target, error) {
	return targets.change(s, id, edit, by)
}

// ReadTarget reads frequency/dB pairs from text, as tolerant as ReadText. Rows at 0 Hz
// are passed over.
func ReadTarget(r io.Reader) ([][2]float64, error) {
	points, err := ReadCorrection(r)
	if err == nil && len(points) > 0 && points[0][0] == 0 {
		points = points[1:]
	}
	return points, err
}
