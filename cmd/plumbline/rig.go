package main

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"plumbline/capture/rig"
	"plumbline/capture/wavfile"
)

func newRigCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "rig",
		GroupID: groupVirtual,
		Short:   "Make recordings of a virtual rig",
		Long: `The virtual rig is a rectangular room with reflections, loudspeakers, microphones
and noise, described by a scene: a small TOML file, or the built-in one, demo.`,
		Args: knownCommand,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(newRigRenderCommand())
	return cmd
}

type renderFlags struct {
	seconds   float64
	programme string
	play      string
	seed      uint64
	each      string
	alike     float64
}

func newRigRenderCommand() *cobra.Command {
	var f renderFlags
	cmd := &cobra.Command{
		Use:   "render SCENE OUT.wav",
		Short: "Record a virtual rig into a WAV file",
		Long: `Writes what the rig sends on channel 1 (the reference, as it was before any
loudspeaker's processing) and what each microphone of the scene hears on channels
2 and up, as 32-bit float. The same scene and seed give the same samples. The
file appears when it is complete, in place of an older one.

With --each every loudspeaker has a reference of its own, in the order of the scene,
and the microphones come behind them: its own programme, its side of a stereo
programme (two of noise are --alike, of a file each has its channel), or the same.

SCENE is a TOML file, or demo.`,
		Example: `  plumbline rig render demo both.wav
  plumbline rig render demo main.wav --play A --seconds 10
  plumbline rig render hall.toml music.wav --programme song.wav
  plumbline rig render demo all.wav --each stereo --alike 0.9`,
		Args:              takes(2, 2, "a scene and the WAV file to write"),
		ValidArgsFunction: completeRender,
		RunE:              func(cmd *cobra.Command, args []string) error { return f.run(cmd, args[0], args[1]) },
	}
	cmd.Flags().Float64Var(&f.seconds, "seconds", 20, "`length` of the recording")
	cmd.Flags().StringVar(&f.programme, "programme", "", "pink, white or a WAV `file`, instead of the scene's")
	cmd.Flags().StringVar(&f.play, "play", "both", "`which` loudspeakers play: A is the scene's first, B its second, both is all")
	cmd.Flags().Uint64Var(&f.seed, "seed", 0, "`number` that the noises are made from, instead of the scene's")
	cmd.Flags().StringVar(&f.each, "each", "", "what each loudspeaker has, with a `reference` of its own: own, stereo or same; else one for all")
	cmd.Flags().Float64Var(&f.alike, "alike", rig.DefaultAlike, "mutual `coherence` of stereo noise, 0 to 1")
	cmd.RegisterFlagCompletionFunc("each", cobra.FixedCompletions([]string{rig.OwnProgramme, rig.StereoProgramme, rig.SameProgramme}, cobra.ShellCompDirectiveNoFileComp))
	cmd.RegisterFlagCompletionFunc("play", cobra.FixedCompletions([]string{"A", "B", "both"}, cobra.ShellCompDirectiveNoFileComp))
	return cmd
}

// maxRenderS is a day.
const maxRenderS = 24 * 3600

func (f *renderFlags) run(cmd *cobra.Command, sceneName, path string) (err error) {
	if !(f.seconds > 0 && f.seconds <= maxRenderS) {
		return usagef("--seconds wants more than 0 and at most %d, not %g", maxRenderS, f.seconds)
	}
	if !slices.Contains([]string{"A", "B", "both"}, f.play) {
		return usagef("--play wants A, B or both, not %q", f.play)
	}
	if !slices.Contains([]string{"", rig.OwnProgramme, rig.StereoProgramme, rig.SameProgramme}, f.each) {
		return usagef("--each wants own, stereo or same, not %q", f.each)
	}
	if !(f.alike >= 0 && f.alike <= 1) {
		return usagef("--alike wants 0 to 1, not %g", f.alike)
	}
	scene, err := loadScene(sceneName)
	if err != nil {
		return err
	}
	if cmd.Flags().Changed("each") {
		scene.Programme.Each = f.each
	}
	if cmd.Flags().Changed("alike") {
		scene.Programme.Alike = f.alike
	}
	if cmd.Flags().Changed("seed") {
		scene.Seed = f.seed
	}
	switch f.programme {
	case "":
	case rig.Pink, rig.White:
		scene.Programme.Kind, scene.Programme.File = f.programme, ""
	default:
		scene.Programme.Kind, scene.Programme.File = rig.File, f.programme
	}
	if scene, err = playing(scene, f.play); err != nil {
		return err
	}
	if err := scene.Validate(); err != nil {
		return err
	}
	for _, input := range []string{sceneName, scene.Programme.File} {
		if sameFile(input, path) {
			return fmt.Errorf("%s is what the recording is made from: choose another name to write", path)
		}
	}
	frames := int64(math.Round(f.seconds * float64(scene.RateHz)))
	return render(cmd.Context(), scene, frames, path, newProgress(cmd.ErrOrStderr(), "rendering"))
}

func sameFile(a, b string) bool {
	x, err := os.Stat(a)
	if err != nil {
		return false
	}
	y, err := os.Stat(b)
	return err == nil && os.SameFile(x, y)
}

func render(ctx context.Context, scene rig.Scene, frames int64, path string, line *progress) error {
	defer line.end()
	channels := scene.References() + len(scene.Microphones)
	w, err := wavfile.Create(path, wavfile.Format{SampleRateHz: scene.RateHz, Channels: channels, Encoding: wavfile.Float32})
	if err != nil {
		return err
	}
	rate, done := float64(scene.RateHz), int64(0)
	err = rig.Render(ctx, scene, frames, func(interleaved []float32) error {
		done += int64(len(interleaved) / channels)
		line.at(float64(done)/rate, float64(frames)/rate)
		return w.Write(interleaved)
	})
	if err != nil {
		w.Abort()
		return err
	}
	return w.Close()
}

// playing mutes what --play leaves out.
func playing(scene rig.Scene, play string) (rig.Scene, error) {
	if play == "both" {
		return scene, nil
	}
	i := int(play[0] - 'A')
	if i >= len(scene.Loudspeakers) {
		return scene, fmt.Errorf("the scene has no second loudspeaker to --play: leave it at both, or choose A")
	}
	return scene.Solo(scene.Loudspeakers[i].Name)
}

// loadScene loads a TOML file, or the scene that is built in.
func loadScene(name string) (rig.Scene, error) {
	if name == "demo" {
		return rig.Demo(), nil
	}
	return rig.Load(name)
}

func completeRender(cmd *cobra.Command, args []string, word string) ([]string, cobra.ShellCompDirective) {
	if len(args) == 0 {
		return completeScenes(cmd, args, word)
	}
	return completeWAV(cmd, args, word)
}

// completeScenes offers the built-in scene and the TOML files there are.
func completeScenes(_ *cobra.Command, _ []string, word string) ([]string, cobra.ShellCompDirective) {
	words := []string{"demo\tthe built-in rig with a fault"}
	directive := cobra.ShellCompDirectiveNoFileComp
	paths, _ := filepath.Glob(word + "*") // the pattern of a word with brackets matches nothing: no offers
	for _, p := range paths {
		if info, err := os.Stat(p); err == nil && info.IsDir() {
			words = append(words, p+string(filepath.Separator))
			directive |= cobra.ShellCompDirectiveNoSpace
		} else if strings.EqualFold(filepath.Ext(p), ".toml") {
			words = append(words, p)
		}
	}
	return words, directive
}
