package show

import (
	"context"
	"errors"
	"net/http"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"plumbline/analyze/response"
	"plumbline/stream/wire"
)

// isDamage: what was read is not what was stored, or could not be read for that.
func isDamage(err error) bool {
	var db *sqlite.Error
	return errors.Is(err, errBlob) || errors.As(err, &db) && db.Code()&0xff == sqlite3.SQLITE_CORRUPT
}

// damaged is what to say of something that is not what was stored, while the rest
// of the show can be used.
func damaged(path, format string, id int64) error {
	return refuse(http.StatusUnprocessableEntity, CodeDamaged, format+", or a backup of %s", id, path)
}

// CodeDamaged is the code of an error about one thing in a show that is damaged:
// whoever works on several goes on with the others.
const CodeDamaged = "damaged"

// Damage reads all takes and their audio, and has a sentence for each that is not
// what was stored; other errors are errors. Others may use the show meanwhile.
func (s *Show) Damage(ctx context.Context) (sentences []string, err error) {
	takes, err := s.Takes(Filter{})
	if err != nil {
		return nil, err
	}
	note := func(err error) error {
		var mine *wire.Error
		if errors.As(err, &mine) && mine.Code == CodeDamaged {
			sentences = append(sentences, mine.Text+".")
			return nil
		}
		return err
	}
	var spectra response.Spectra
	for i := range takes {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if takes[i].Damaged != "" {
			sentences = append(sentences, takes[i].Damaged)
		}
		if err := note(s.Spectra(takes[i].ID, &spectra)); err != nil {
			return nil, err
		}
		_, err := s.TakeAudio(takes[i].ID)
		if err := note(err); err != nil {
			return nil, err
		}
	}
	return sentences, nil
}
