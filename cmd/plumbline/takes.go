package main

import (
	"fmt"
	"io"
	"math"
	"math/bits"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"plumbline/analyze/caution"
	"plumbline/analyze/response"
	"plumbline/analyze/setting"
	"plumbline/analyze/summation"
	"plumbline/cmd/plumbline/offline"
	"plumbline/stream/wire"
)

// takesFlags say how recordings of single loudspeakers are compared: sum and align.
type takesFlags struct {
	recordingFlags
	window      string
	band        string
	temperature float64
	json        bool

	windowSamples int // 0: multi-resolution; −1: as long as the recordings allow
	bandHz        summation.Band

	against []examined // the takes, in their order
	sdMs    []float64  // of their arrivals; NaN where none was found
	signs   []int      // of these, 0 undecided
}

func (f *takesFlags) add(cmd *cobra.Command) {
	f.recordingFlags.add(cmd)
	cmd.Flags().Lookup("mic").Usage = "`channel` of the microphone; all is the other one of two"
	cmd.Flags().StringVar(&f.band, "band", "", "compare within `LOW:HIGH` hertz; without it the overlap is found")
	cmd.Flags().StringVar(&f.window, "window", "long", "long, multi, or `samples`: a power of two")
	cmd.Flags().Float64Var(&f.temperature, "temperature", 20, "of the air in `degrees` Celsius, for distances")
	cmd.Flags().BoolVar(&f.json, "json", false, "one JSON object instead of a table")
	cmd.RegisterFlagCompletionFunc("window", cobra.FixedCompletions(
		[]string{"long", "multi", "16384", "32768", "65536"}, cobra.ShellCompDirectiveNoFileComp))
}

// parse checks what pflag cannot.
func (f *takesFlags) parse() error {
	switch f.window {
	case "long":
		f.windowSamples = -1
	case "multi":
	default:
		n, err := strconv.Atoi(f.window)
		if err != nil || n < 256 || n > 1<<20 || bits.OnesCount(uint(n)) != 1 {
			return usagef("--window wants long, multi or a power of two from 256 to 1048576, not %q", f.window)
		}
		f.windowSamples = n
	}
	if f.band != "" {
		low, high, ok := strings.Cut(f.band, ":")
		lo, err1 := strconv.ParseFloat(low, 64)
		hi, err2 := strconv.ParseFloat(high, 64)
		f.bandHz = summation.Band{LowHz: lo, HighHz: hi}
		if !ok || err1 != nil || err2 != nil || setting.CheckBand("", lo, hi) != nil {
			return usagef("--band wants LOW:HIGH hertz such as 80:8000, within %d to %d Hz, not %q", setting.MinBandHz, setting.MaxBandHz, f.band)
		}
	}
	return misused(setting.CheckTemperature(f.temperature))
}

// open opens the recordings of one comparison: each has one microphone, all
// have one sample rate. It settles the window. The caller calls close.
func (f *takesFlags) open(cmd *cobra.Command, paths []string) (takes []offline.Recording, closeAll func(), err error) {
	closeAll = func() {
		for _, t := range takes {
			t.File.Close()
		}
	}
	defer func() {
		if err != nil {
			closeAll()
		}
	}()
	shortest := int64(math.MaxInt64)
	for _, path := range paths {
		rec, err := f.recordingFlags.open(cmd, path)
		if err != nil {
			return takes, closeAll, err
		}
		takes = append(takes, rec)
		last := len(takes) - 1
		if n := len(rec.Microphones); n != 1 {
			return takes, closeAll, usagef("%s has %d microphones: choose one with --mic", path, n)
		}
		if rate, first := rec.RateHz(), takes[0].RateHz(); rate != first {
			return takes, closeAll, fmt.Errorf("%s is at %g Hz and %s at %g Hz: record both at one sample rate", path, rate, paths[0], first)
		}
		good, against, err := examine(cmd.Context(), rec, leastGoodS)
		if err != nil {
			return takes, closeAll, named(path, err)
		}
		if against[0].dead {
			return takes, closeAll, fmt.Errorf("%s: %s", path, against[0].cautions[0].Text())
		}
		takes[last], f.against = good, append(f.against, against[0])
		shortest = min(shortest, good.To-good.From)
	}
	if f.windowSamples < 0 {
		f.windowSamples = longWindow(takes[0].RateHz(), shortest)
	}
	for i, rec := range takes {
		if n := int64(max(f.windowSamples, leastWindow)); n > rec.To-rec.From {
			return takes, closeAll, fmt.Errorf("%s: %.3g s are shorter than one window of %d samples: record longer", paths[i], rec.DurationS(), n)
		}
	}
	return takes, closeAll, nil
}

const leastWindow = 256

// longWindow is the power of two nearest to 65536 samples at 48 kHz, so that
// what reverberates counts as part of a loudspeaker's response and the seats'
// sums are those of the whole sound; less when the recording has not eight of them.
func longWindow(rateHz float64, frames int64) int {
	n := 1 << int(math.Round(math.Log2(65536*rateHz/48000)))
	for n > leastWindow && int64(n)*8 > frames {
		n /= 2
	}
	return n
}

// spectra measures every take. The reference is delayed to the arrival; the
// relative phase of takes is kept, since each knows its delay. together, unless
// negative, is the take of both, which uses the delay of the first.
func (f *takesFlags) spectra(cmd *cobra.Command, paths []string, takes []offline.Recording, together int) ([]*response.Spectra, error) {
	found := make([]float64, len(takes)) // s
	f.sdMs, f.signs = make([]float64, len(takes)), make([]int, len(takes))
	line := newProgress(cmd.ErrOrStderr(), "looking for arrivals")
	defer line.end()
	for i, rec := range takes {
		line.at(float64(i), float64(len(takes)))
		look := offline.ArrivalsConfig{Max: 1}
		if i == together { // only whether it is the right way round
			look.ExcerptsS = delayExcerptsS
		}
		rec, at, err := findAtRest(cmd.Context(), rec, f.against[i:i+1], func(r offline.Recording) ([]offline.Found, error) {
			return offline.Arrivals(cmd.Context(), r, look)
		})
		if err != nil {
			return nil, named(paths[i], err)
		}
		if takes[i] = rec; f.against[i].dead || rec.To-rec.From < int64(max(f.windowSamples, leastWindow)) {
			return nil, fmt.Errorf("%s: %s", paths[i], f.against[i].cautions[0].Text())
		}
		f.sdMs[i] = math.NaN()
		if a, ok := at[0].Main(); ok {
			found[i], f.sdMs[i], f.signs[i] = a.DelayMs/1000, a.DelaySDMs, a.Sign
		}
		// Of what is the wrong way round there is no sum.
		if err := arrived(cmd.Context(), rec, f.against[i:i+1], at); err != nil {
			return nil, named(paths[i], err)
		} else if e := f.against[i]; e.swapped() {
			return nil, fmt.Errorf("%s: %s", paths[i], e.cautions[0].Text())
		}
		for k := range f.against[i].cautions {
			if c := &f.against[i].cautions[k]; c.Code == caution.NoDelay {
				c.Next = "Its curve is taken without a delay and may be too low: play louder or longer."
			}
		}
		if i == together { // a delay of its own is not needed
			found[i] = found[0]
			f.against[i].cautions = slices.DeleteFunc(f.against[i].cautions, func(c caution.Caution) bool { return c.Code == caution.NoDelay })
		}
	}
	line.end()
	line = newProgress(cmd.ErrOrStderr(), "averaging")
	defer line.end()
	out := make([]*response.Spectra, len(takes))
	for i, rec := range takes {
		line.at(float64(i), float64(len(takes)))
		r, err := offline.Response(cmd.Context(), rec, offline.ResponseConfig{
			Window: f.windowSamples, Overlap: 0.75, DelayS: []float64{found[i]},
		})
		if err != nil {
			return nil, named(paths[i], err)
		}
		out[i] = &r.Spectra[0]
		f.against[i].unknown(out[i])
	}
	return out, nil
}

// fileCaution is a caution against one of several recordings.
type fileCaution struct {
	File string `json:"file"`
	wire.Caution
}

// cautions are those against all takes, never nil.
func (f *takesFlags) cautions(paths []string) []fileCaution {
	out := []fileCaution{}
	for i, e := range f.against {
		for _, c := range cautionObjects(e.cautions) {
			out = append(out, fileCaution{paths[i], c})
		}
	}
	return out
}

// because puts what speaks against the takes in front of an error: it is why
// nothing came of them.
func (f *takesFlags) because(paths []string, err error) error {
	for _, c := range f.cautions(paths) {
		return fmt.Errorf("%s: %s (%w)", c.File, c.Text, err)
	}
	return err
}

// printFileCautions writes them for people, one a line, in front of all else.
func printFileCautions(out io.Writer, list []fileCaution) {
	for _, c := range list {
		fmt.Fprintf(out, "▲ %s: %s\n", c.File, c.Text)
	}
	if len(list) > 0 {
		fmt.Fprintln(out)
	}
}
