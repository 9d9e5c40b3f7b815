package planning

import (
	"errors"

	"plumbline/analyze/summation"
)

// sayNo is why two loudspeakers cannot be aligned, with their names.
func sayNo(err error, main, fill string) string {
	if none := (*summation.NoOverlapError)(nil); errors.As(err, &none) {
		return none.Words(main, fill)
	}
	return err.Error()
}
