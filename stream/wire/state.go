package wire

// State is what every client shares: the source, the settings and the counters.
type State struct {
	// Revision rises with every change; a server drops a State older than the
	// one it has. 0: the sender does not count.
	Revision  uint64     `json:"revision"`
	Epoch     uint32     `json:"epoch"` // as in the frames that belong to it
	Source    Source     `json:"source"`
	Settings  Settings   `json:"settings"`
	Counters  Counters   `json:"counters"`
	Progress  *Progress  `json:"progress,omitempty"`  // while averaging runs until sure
	Recording *Recording `json:"recording,omitempty"` // where one was asked for
	ChangedBy string     `json:"changed_by"`          // who changed the settings last
}

// Source says where the sound comes from and how it is.
type Source struct {
	Kind     string   `json:"kind"` // "device", "file", "rig", or SourceNone
	Name     string   `json:"name"`
	RateHz   int      `json:"rate_hz"`
	Channels []string `json:"channels"` // one name a channel, channel 1 first
	State    string   `json:"state"`    // "starting", "running", "stalled", "lost", "ended" or "failed"
	Text     string   `json:"text"`     // one sentence; empty while all is well
}

// SourceNone is the kind of a source that has not been chosen yet.
const SourceNone = "none"

// Codes of faults.
const (
	FaultNoSource  = "no_source"       // none is chosen
	FaultStalled   = "source_stalled"  // it delivers nothing
	FaultLost      = "source_lost"     // it is gone, and looked for
	FaultEnded     = "source_ended"    // it will not come again by itself
	FaultFailed    = "source_failed"   // it could not go on, a recording neither
	FaultDoubtful  = "source_doubtful" // it runs, and something is wrong with it
	FaultNoFrames  = "no_frames"       // it runs, and nothing comes of it
	FaultRecording = "recording"       // it stopped before its time
	FaultLevelLog  = "level_log"       // levels are not being stored
)

// Fault is something that is wrong, and that somebody has to mend.
type Fault struct {
	Code string `json:"code"`
	Text string `json:"text"` // one sentence that says what to do
}

// Counters are the troubles since the source started.
type Counters struct {
	Overflows     uint64 `json:"overflows"`
	Stalls        uint64 `json:"stalls"`
	ZeroRuns      uint64 `json:"zero_runs"`
	LostFrames    uint64 `json:"lost_frames"`
	DroppedFrames uint64 `json:"dropped_frames"` // sample frames that found the ring full
	Gaps          uint64 `json:"gaps"`
	Bursts        uint64 `json:"bursts"`
}

// States of a recording.
const (
	RecordingWaits   = "waiting" // for the daemon to begin
	RecordingRuns    = "recording"
	RecordingStopped = "stopped" // before its time; Text says why
)

// Recording is how the recording of all channels goes.
type Recording struct {
	File  string  `json:"file"` // its name, without the folder
	State string  `json:"state"`
	Text  string  `json:"text"`   // one sentence; empty while all is well
	Since string  `json:"since"`  // RFC 3339; empty before it begins
	LostS float64 `json:"lost_s"` // s of sound that are missing in it
}

// Progress is how far averaging until sure has come.
type Progress struct {
	Done    bool  `json:"done"`
	WidthDB Value `json:"width_db"` // half width of the widest interval in the band now
	LeftS   Value `json:"left_s"`   // predicted from the coherence so far
}
