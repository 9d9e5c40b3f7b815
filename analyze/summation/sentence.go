package summation

import (
	"fmt"
	"math"
)

// say writes one sentence into each row.
func (l *Ledger) say(a, b string) {
	for i := range l.Rows {
		row := &l.Rows[i]
		row.Sentence = l.sentence(row, a, b) + "."
		if row.Cancelled {
			row.Sentence += fmt.Sprintf(" The sum cancels to %.0f dB re the ideal or less; noise hides how much.", row.FloorDB)
		}
	}
}

func (l *Ledger) sentence(row *Row, a, b string) string {
	change := changes(row.ChangeDB)
	switch row.Cause {
	case Level:
		quieter, louder, db := b, a, l.LevelADB-l.LevelBDB
		if db < 0 {
			quieter, louder, db = a, b, -db
		}
		if db < 0.05 {
			return fmt.Sprintf("%s and %s are equally loud, which %s", a, b, change)
		}
		return fmt.Sprintf("%s is %.1f dB quieter than %s, which %s", quieter, db, louder, change)
	case Spectrum:
		return fmt.Sprintf("How differently %s and %s spread their level over frequency %s", a, b, change)
	case Phase:
		return fmt.Sprintf("Phase that no delay or polarity mends %s", change)
	case Time:
		switch ms := l.OffsetMs; {
		case math.Abs(ms) < 0.005:
			return fmt.Sprintf("%s and %s arrive together, which %s", a, b, change)
		case ms > 0:
			return fmt.Sprintf("%s arrives %.2f ms after %s, which %s", b, ms, a, change)
		default:
			return fmt.Sprintf("%s arrives %.2f ms before %s, which %s", b, -ms, a, change)
		}
	case Polarity:
		switch {
		case l.Sign > 0:
			return fmt.Sprintf("%s has the same polarity as %s, which %s", b, a, change)
		case l.Sign < 0:
			return fmt.Sprintf("%s has the opposite polarity to %s, which at today's delay %s", b, a, change)
		}
		return fmt.Sprintf("Which polarity suits %s is undecided; today's %s", b, change)
	}
	if l.Predicted {
		return "The sum is predicted, not measured: nothing is left over"
	}
	return fmt.Sprintf("Against the prediction the measured sum (noise, movement, limiters) %s", changes(row.ChangeDB))
}

func changes(db float64) string {
	switch {
	case math.Abs(db) < 0.05:
		return "costs nothing"
	case db < 0:
		return fmt.Sprintf("costs %.1f dB", -db)
	}
	return fmt.Sprintf("gains %.1f dB", db)
}
