package main

import (
	"fmt"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"plumbline/analyze/setting"
	"plumbline/capture/wavfile"
	"plumbline/cmd/plumbline/offline"
)

// recordingFlags choose what of a WAV file is analysed.
type recordingFlags struct {
	references  channelList
	microphones string
	from, to    float64
}

func (f *recordingFlags) add(cmd *cobra.Command) {
	f.references = channelList{1}
	cmd.Flags().Var(&f.references, "ref", "`channel` of the reference, from 1")
	cmd.Flags().StringVar(&f.microphones, "mic", "all", "`channels` of the microphones, such as 2 or 2,3; all is every other one")
	cmd.Flags().Float64Var(&f.from, "from", 0, "start at this `second` of the recording")
	cmd.Flags().Float64Var(&f.to, "to", 0, "end at this `second`; 0 is the end")
	cmd.ValidArgsFunction = completeWAV
}

func completeWAV(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	return []string{"wav"}, cobra.ShellCompDirectiveFilterFileExt
}

// noteLoss says on standard error what of a recording is not there, or not read.
func noteLoss(cmd *cobra.Command, path string, file *wavfile.File) {
	rate := float64(file.Format().SampleRateHz)
	if file.More() > 0 {
		fmt.Fprintf(cmd.ErrOrStderr(), "%s holds its sound in several data chunks: the first, %.3g s, is read and %.3g s behind it are not; export it again for all of it\n",
			path, float64(file.Frames())/rate, float64(file.More())/rate)
	}
	if file.Lost() > 0 {
		fmt.Fprintf(cmd.ErrOrStderr(), "%s was cut short: its header promises %.3g s more than the %.3g s that are there and are used\n",
			path, float64(file.Lost())/rate, float64(file.Frames())/rate)
	}
}

// named is err with the file's name in front, unless it says it already.
func named(path string, err error) error {
	if strings.HasPrefix(err.Error(), path) {
		return err
	}
	return fmt.Errorf("%s: %w", path, err)
}

// open opens the file and checks that it has what the flags choose. The caller
// closes Recording.File.
func (f *recordingFlags) open(cmd *cobra.Command, path string) (rec offline.Recording, err error) {
	if len(f.references) > 1 {
		return rec, usagef("--ref wants one channel here, not %s: response and arrivals take several", f.references.String())
	}
	several, err := f.openSeveral(cmd, path)
	if err != nil {
		return rec, err
	}
	return several.Of(0), nil
}

// openSeveral is open for any number of references.
func (f *recordingFlags) openSeveral(cmd *cobra.Command, path string) (rec offline.Several, err error) {
	file, err := wavfile.Open(path)
	if err != nil {
		return rec, err
	}
	defer func() {
		if err != nil {
			err = fmt.Errorf("%s: %w", path, err)
			file.Close()
		}
	}()
	refs, mics, err := pickSeveral(f.references, f.microphones, file.Format().Channels)
	if err != nil {
		return rec, err
	}
	rate := float64(file.Format().SampleRateHz)
	if err := setting.CheckRate(rate); err != nil {
		return rec, fmt.Errorf("%w: resample the recording", err)
	}
	rec.Recording = offline.Recording{File: file, From: 0, To: file.Frames()}
	for _, r := range refs {
		rec.References = append(rec.References, r-1)
	}
	for _, m := range mics {
		rec.Microphones = append(rec.Microphones, m-1)
	}
	length := float64(file.Frames()) / rate
	switch {
	case math.IsNaN(f.from) || math.IsNaN(f.to) || f.from < 0 || f.to < 0:
		return rec, usagef("--from and --to want seconds from 0 up")
	case f.from >= length:
		return rec, fmt.Errorf("--from %g s lies behind the end: the recording is %.3g s long", f.from, length)
	case f.to > 0 && f.to <= f.from:
		return rec, usagef("--to has to be later than --from")
	}
	rec.From = int64(math.Round(f.from * rate))
	if f.to > 0 && f.to < length {
		rec.To = int64(math.Round(f.to * rate))
	}
	noteLoss(cmd, path, file)
	return rec, nil
}
