package main

import (
	"context"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"plumbline/analyze/setting"
	"plumbline/capture"
	"plumbline/capture/device"
	"plumbline/capture/rig"
	"plumbline/capture/wavfile"
	"plumbline/cmd/plumbline/announce"
	"plumbline/cmd/plumbline/daemon"
	"plumbline/cmd/plumbline/network"
	"plumbline/cmd/plumbline/recorder"
	"plumbline/cmd/plumbline/setup"
	"plumbline/cmd/plumbline/survey"
	"plumbline/stream"
	"plumbline/stream/access"
	"plumbline/stream/show"
	"plumbline/stream/wire"
	"plumbline/ui"
)

// daemonFlags are those that serve and demo share.
type daemonFlags struct {
	listen  string
	uiDir   string
	show    string
	verbose bool
	log     string

	calibration string
	sensitivity float64
	webhook     string
	record      string

	tls      string
	link     string
	host     []string
	announce bool
}

func (f *daemonFlags) add(cmd *cobra.Command) {
	f.addCommon(cmd)
	cmd.Flags().StringVar(&f.calibration, "calibration", "", "recording of a calibrator on the microphones' channels and its level in dB, such as `CAL.wav=94`; for this run")
	cmd.Flags().Float64Var(&f.sensitivity, "sensitivity", 0, "level in `dB` re 20 µPa that a full-scale sine wave stands for; for this run")
	cmd.Flags().StringVar(&f.record, "record", "", "record all channels to this new WAV `file`")
	cmd.RegisterFlagCompletionFunc("record", completeWAV)
}

// addCommon adds those that need no source.
func (f *daemonFlags) addCommon(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.listen, "listen", "127.0.0.1:8737", "`address` on this computer; port 0 picks a free one, 0.0.0.0 is for the whole network")
	cmd.Flags().StringVar(&f.tls, "tls", "", "encrypt: auto makes a certificate of our own, `CERT,KEY` are PEM files")
	cmd.Flags().StringVar(&f.link, "link", string(access.Operator), "`role` of who opens the link on the terminal: operator, viewer, or none for no link; beyond this computer")
	cmd.Flags().StringSliceVar(&f.host, "host", nil, "further `names` that this computer is called by on the network")
	cmd.Flags().BoolVar(&f.announce, "announce", true, "beyond this computer: be found on the network by name (DNS-SD); --announce=false: not")
	cmd.Flags().StringVar(&f.uiDir, "ui-dir", "", "serve the pages from this `directory`, for working on them")
	cmd.Flags().StringVar(&f.show, "show", "", "keep takes and plans in this show `file`, new or not")
	cmd.Flags().StringVar(&f.webhook, "webhook", "", "post every event as JSON to this `URL`")
	cmd.Flags().BoolVar(&f.verbose, "verbose", false, "log more on standard error")
	cmd.Flags().StringVar(&f.log, "log", logText, "`format` of the log on standard error: text or json")
	cmd.Annotations = map[string]string{readsFile: ""}
	annotate(cmd.Flags().Lookup("webhook"), isSecret)
	cmd.RegisterFlagCompletionFunc("log", cobra.FixedCompletions([]string{logText, logJSON}, cobra.ShellCompDirectiveNoFileComp))
	cmd.MarkFlagDirname("ui-dir")
	cmd.RegisterFlagCompletionFunc("show", cobra.FixedCompletions([]string{strings.TrimPrefix(show.Extension, "."), strings.TrimPrefix(show.OldExtension, ".")}, cobra.ShellCompDirectiveFilterFileExt))
	cmd.RegisterFlagCompletionFunc("listen", cobra.NoFileCompletions)
	cmd.RegisterFlagCompletionFunc("host", cobra.NoFileCompletions)
	cmd.RegisterFlagCompletionFunc("tls", cobra.FixedCompletions([]string{"auto"}, cobra.ShellCompDirectiveDefault))
	cmd.RegisterFlagCompletionFunc("link", cobra.FixedCompletions([]string{"operator", "viewer", noLink}, cobra.ShellCompDirectiveNoFileComp))
}

// begin is what a daemon begins with.
type begin struct {
	daemon.Config
	choice *wire.SourceChoice // of the device; nil: the source is no device
	fresh  bool               // with a show of its own when none is named
	// said is called when it listens, and says more than where.
	said func(front *network.Front) error
}

// serve runs daemons until the context ends.
func (f *daemonFlags) serve(cmd *cobra.Command, b begin) error {
	cfg := b.Config
	var err error
	if cfg.Logger, err = f.logger(cmd.ErrOrStderr()); err != nil {
		return err
	}
	cfg.Started = started
	if cfg.UI, err = f.pages(); err != nil {
		return err
	}
	// Before there is a show: a daemon that cannot start leaves none.
	front, err := f.front(cmd)
	if err != nil {
		return err
	}
	defer front.Listener.Close() // again, where Run has
	cfg.Gate, cfg.Hosts = front.Gate, front.Hosts
	if err := f.calibrations(cmd.Context(), &cfg, cfg.Logger); err != nil {
		return err
	}
	kept := keptDevices(cfg.Logger)
	if f.record != "" {
		info := cfg.Source.Info()
		cfg.Recorder, err = recorder.New(recorder.Config{Path: f.record, SampleRateHz: info.SampleRateHz, Channels: len(info.Channels), Logger: cfg.Logger})
		if err != nil {
			return err
		}
	}
	shelf, closeShelf, err := openShelf(f.show, b.fresh)
	if err != nil {
		return err
	}
	defer func() {
		if err := closeShelf(); err != nil {
			cfg.Logger.Error("close the show", "err", err)
		}
	}()
	if cfg.Rig != nil {
		if err := furnish(shelf, cfg.Rig.Scene()); err != nil {
			return err
		}
	}
	cfg.Shelf, cfg.Webhook = shelf, f.webhook
	if b.choice != nil {
		if c, ok := kept.Of(b.choice.Device); ok {
			b.choice.Names, cfg.Names = c.Names, c.Names
		}
	}
	d, err := setup.New(setup.Config{Devices: audio, Kept: kept, Daemon: cfg, Choice: b.choice})
	if err != nil {
		return err
	}
	if cfg.Recorder != nil { // last of what can fail: it leaves a file
		if err := cfg.Recorder.Open(); err != nil {
			return err
		}
	}
	if _, err := fmt.Fprintf(cmd.OutOrStdout(), "listening on %s\n", front.URL()); err != nil {
		return err
	}
	if err := front.Say(cmd.OutOrStdout(), terminal(os.Stdout)); err != nil {
		return err
	}
	if b.said != nil {
		if err := b.said(front); err != nil {
			return err
		}
	}
	ctx, cancel := context.WithCancel(cmd.Context())
	var announced sync.WaitGroup
	defer announced.Wait()
	defer cancel()
	if c, ok := f.announced(front); ok {
		c.Logger = cfg.Logger
		announced.Go(func() { announce.Run(ctx, c) })
	}
	return d.Run(ctx, front.Listener)
}

// reaching are the interfaces that an address is reached on. Tests have others, which
// reach nobody.
var reaching = announce.Reaching

// announced is what the network is told, if there is one and it may be.
func (f *daemonFlags) announced(front *network.Front) (announce.Config, bool) {
	at, ok := front.Listener.Addr().(*net.TCPAddr)
	if !ok || front.Gate == nil || !f.announce {
		return announce.Config{}, false
	}
	host, _ := os.Hostname() // without one it is this computer
	c := announce.Config{Port: uint16(at.Port), Host: host, Service: announce.HTTP, Interfaces: reaching(at)}
	if f.tls != "" {
		c.Service = announce.HTTPS
	}
	return c, true
}

// noLink is the value of --link that shows none.
const noLink = "none"

// front listens, for whoever can reach that.
func (f *daemonFlags) front(cmd *cobra.Command) (*network.Front, error) {
	var role access.Role
	if f.link != noLink {
		var err error
		if role, err = access.ParseRole(f.link); err != nil {
			return nil, usagef("--link wants operator, viewer or %s, not %q", noLink, f.link)
		}
	}
	if os.Getenv("JOURNAL_STREAM") != "" && !terminal(os.Stdout) {
		role = "" // what is written here stays in a log (systemd.exec), where no token may be
	}
	l, err := stream.Listen(cmd.Context(), f.listen)
	if err != nil {
		return nil, err
	}
	front, err := network.Open(l, network.Config{TLS: f.tls, Hosts: f.host, Link: role})
	if err != nil {
		l.Close()
	}
	return front, err
}

// Formats of the log.
const (
	logText = "text"
	logJSON = "json"
)

// logger writes the log of the daemon's life, in the format that was asked for.
func (f *daemonFlags) logger(w io.Writer) (*slog.Logger, error) {
	opts := &slog.HandlerOptions{Level: slog.LevelInfo}
	if f.verbose {
		opts.Level = slog.LevelDebug
	}
	switch f.log {
	case logText:
		return slog.New(slog.NewTextHandler(w, opts)), nil
	case logJSON:
		return slog.New(slog.NewJSONHandler(w, opts)), nil
	}
	return nil, usagef("--log wants %s or %s, not %q", logText, logJSON, f.log)
}

// audio are the devices of this computer. Tests have others.
var audio setup.Devices = setup.System{}

// keptDevices opens what was chosen on this computer before. That it cannot be read is no
// reason not to start.
func keptDevices(log *slog.Logger) *setup.Kept {
	path, err := setup.Path()
	if err != nil {
		log.Warn("choices of devices are not kept", "err", err)
	}
	kept, err := setup.OpenKept(path)
	if err != nil {
		log.Warn("choices of devices are not kept", "err", err)
	}
	return kept
}

// started is when the program did, near enough.
var started = time.Now()

func (f *daemonFlags) pages() (fs.FS, error) {
	if f.uiDir == "" {
		return ui.Files(), nil
	}
	if _, err := os.Stat(filepath.Join(f.uiDir, "index.html")); err != nil {
		return nil, fmt.Errorf("--ui-dir %s has no index.html: name the directory ui of the source", f.uiDir)
	}
	return os.DirFS(f.uiDir), nil
}

// patient has virtual sources wait for a daemon that is late. Tests set it: beside other
// work their sound is late, and what they prove is not how fast the machine is.
var patient bool

type serveFlags struct {
	daemonFlags
	device, file, scene string
	loop                bool
	reference           int
	microphones         string
	rateHz              int
	output              string
	loopback            int
}

func newServeCommand() *cobra.Command {
	var f serveFlags
	cmd := &cobra.Command{
		Use:     "serve (--device ID | --file FILE.wav | --rig SCENE)",
		GroupID: groupLive,
		Short:   "Measure live and serve the pages",
		Long: `Measures what comes from a device, a WAV file or a virtual rig, and serves the
pages that show it on this computer. It prints the address, and opens nothing.
^C ends it.

Send the programme to the loudspeaker and, by a cable, to the reference channel
of the interface; the microphone goes to another channel of the same interface.
Without --mic a device listens to its channel 2, a file or a rig to every
channel but the reference.

A show keeps seats, takes and plans in one file. With --output a survey plays
its own test signal on the output channels of the show's loudspeakers and on
--loopback, the one to lead back into the reference channel by a cable. It
starts silent, rises to -20 dBFS and stops when the page that started it goes.
Protect your hearing.

With --listen 0.0.0.0:8737 the whole network reaches it, and everybody needs a
token: the link and the code on this terminal have one for your own phone,
plumbline token add makes others. --tls auto encrypts.`,
		Example: `  plumbline devices
  plumbline serve --device ID --ref 1 --mic 2
  plumbline serve --device ID --ref 3 --mic 1,2 --rate 96000
  plumbline serve --device ID --ref 3 --mic 4 --output ID --loopback 3 --show hall.show
  plumbline serve --device ID --record rehearsal.wav
  plumbline serve --file rehearsal.wav --loop
  plumbline serve --device ID --listen 0.0.0.0:8737 --tls auto
  plumbline serve --rig hall.toml --listen 127.0.0.1:0`,
		Args:              takes(0, 0, "no arguments, but --device, --file or --rig"),
		ValidArgsFunction: cobra.NoFileCompletions,
		RunE:              func(cmd *cobra.Command, _ []string) error { return f.run(cmd) },
	}
	f.add(cmd)
	cmd.Flags().StringVar(&f.device, "device", "", "capture from the device with this `ID`, see plumbline devices")
	cmd.Flags().StringVar(&f.file, "file", "", "replay this WAV `file`")
	cmd.Flags().BoolVar(&f.loop, "loop", false, "start the file again when it ends")
	cmd.Flags().StringVar(&f.scene, "rig", "", "play a virtual rig: `SCENE` is a TOML file, or demo")
	cmd.Flags().IntVar(&f.reference, "ref", 1, "`channel` of the reference, from 1")
	cmd.Flags().StringVar(&f.microphones, "mic", "", "`channels` of the microphones, such as 2 or 2,3; all is every other one")
	cmd.Flags().IntVar(&f.rateHz, "rate", 0, "sample rate in `hertz`, 44100 to 192000; 0 is the source's own")
	cmd.Flags().StringVar(&f.output, "output", "", "play the test signal of surveys on the device with this `ID`")
	cmd.Flags().IntVar(&f.loopback, "loopback", 0, "output `channel` that always plays it, for the cable back into the reference")
	cmd.RegisterFlagCompletionFunc("device", completeDevices)
	cmd.RegisterFlagCompletionFunc("output", completeDevices)
	cmd.RegisterFlagCompletionFunc("file", completeWAV)
	cmd.RegisterFlagCompletionFunc("rig", completeScenes)
	cmd.RegisterFlagCompletionFunc("rate", cobra.FixedCompletions(
		[]string{"44100", "48000", "88200", "96000", "176400", "192000"}, cobra.ShellCompDirectiveNoFileComp))
	return cmd
}

func (f *serveFlags) run(cmd *cobra.Command) error {
	given := 0
	for _, name := range []string{"device", "file", "rig"} {
		if cmd.Flags().Changed(name) {
			given++
		}
	}
	switch {
	case given != 1:
		return usagef("wants one of --device ID, --file FILE.wav and --rig SCENE")
	case f.output != "" && !cmd.Flags().Changed("device"):
		return usagef("--output goes with --device")
	case f.loopback != 0 && f.output == "":
		return usagef("--loopback goes with --output")
	case f.loop && f.file == "":
		return usagef("--loop goes with --file")
	}
	if err := setting.CheckRate(float64(f.rateHz)); err != nil && f.rateHz != 0 {
		return misused(err)
	}
	b := begin{}
	var err error
	if cmd.Flags().Changed("device") {
		b.Config, b.choice, err = f.deviceSource()
	} else {
		b.Config, err = f.virtualSource(cmd)
	}
	if err != nil {
		return err
	}
	return f.serve(cmd, b)
}

// virtualSource opens the file or the rig that was asked for and picks its channels.
func (f *serveFlags) virtualSource(cmd *cobra.Command) (daemon.Config, error) {
	switch {
	case cmd.Flags().Changed("file"):
		src, err := wavfile.NewSource(wavfile.SourceConfig{Path: f.file, Loop: f.loop, Pace: true, Patient: patient})
		if err != nil {
			return daemon.Config{}, err
		}
		if hz := src.Info().SampleRateHz; f.rateHz != 0 && f.rateHz != hz {
			return daemon.Config{}, fmt.Errorf("%s runs at %d Hz and not at %d Hz: leave out --rate", f.file, hz, f.rateHz)
		}
		return f.choose(src, nil)
	}
	scene, err := loadScene(f.scene)
	if err != nil {
		return daemon.Config{}, err
	}
	if f.rateHz != 0 {
		scene.RateHz = f.rateHz
	}
	src, err := rig.New(scene, rig.Config{Pace: true, Patient: patient})
	if err != nil {
		return daemon.Config{}, err
	}
	return f.choose(src, src)
}

// choose picks the channels of a source that has them all.
func (f *serveFlags) choose(src capture.Source, virtual *rig.Rig) (daemon.Config, error) {
	mics := f.microphones
	if mics == "" {
		mics = "all"
	}
	ref, microphones, err := pickChannels(f.reference, mics, len(src.Info().Channels))
	if err != nil {
		return daemon.Config{}, fmt.Errorf("%s: %w", src.Info().Name, err)
	}
	return daemon.Config{Source: src, Rig: virtual, Reference: ref, Microphones: microphones}, nil
}

// deviceSource captures from the first channel to the last that is asked for,
// so that a channel has the same number here, on the device and in what is
// published, and the operator can choose among them later.
func (f *serveFlags) deviceSource() (daemon.Config, *wire.SourceChoice, error) {
	mics := f.microphones
	if mics == "" {
		mics = "2"
		if f.reference == 2 {
			mics = "1"
		}
	}
	inputs := 1 << 16 // the device says better what it has not
	if mics == "all" {
		all, err := audio.List()
		if err != nil {
			return daemon.Config{}, nil, err
		}
		if i := slices.IndexFunc(all, func(d device.Device) bool {
			return d.ID == f.device || d.Name == f.device || f.device == "" && d.DefaultInput
		}); i >= 0 {
			inputs = all[i].Inputs
		}
	}
	ref, microphones, err := pickChannels(f.reference, mics, inputs)
	if err != nil {
		return daemon.Config{}, nil, err
	}
	cfg := device.Config{ID: f.device, Reference: 1, SampleRateHz: f.rateHz}
	for c := 2; c <= max(ref, slices.Max(microphones)); c++ {
		cfg.Microphones = append(cfg.Microphones, c)
	}
	src, err := audio.Open(cfg)
	if err != nil {
		return daemon.Config{}, nil, err
	}
	out := daemon.Config{Source: src, Reference: ref, Microphones: microphones}
	if f.output != "" {
		player, err := audio.Player(survey.OutputConfig{ID: f.output, SampleRateHz: src.Info().SampleRateHz, Loopback: f.loopback})
		if err != nil {
			return daemon.Config{}, nil, err
		}
		out.Player = player
	}
	return out, &wire.SourceChoice{
		Device: src.Info().Identity, Reference: ref, Microphones: microphones, RateHz: f.rateHz, Output: f.output, LoopbackOutput: f.loopback,
	}, nil
}
