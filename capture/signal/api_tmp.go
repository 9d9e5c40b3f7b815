package signal

type Config struct {
	Kind                     string // "pink", "white", "sine", "sweep" or "pulse"
	SampleRateHz             int
	LevelDBFS                float64 // RMS; a full-scale sine wave is 0 (AES17)
	Seed                     uint64
	RampS                    float64
	FrequencyHz              float64
	LowHz, HighHz, DurationS float64
}
type Generator struct{}

func New(cfg Config) (*Generator, error) { panic("soon") }
func (g *Generator) Fill(dst []float64)  { panic("soon") }
