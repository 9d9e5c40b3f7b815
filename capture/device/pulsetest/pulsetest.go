//go:build unix

// Package pulsetest gives a test a sound card made of software: a private
// PulseAudio daemon with a virtual cable, so that what is played into the cable
// is captured from it, sample for sample, through the real PortAudio.
//
// It needs pulseaudio, pactl, paplay and ALSA's plugin for PulseAudio, through
// which PortAudio finds the daemon as the device "alsa/pulse". Without them the
// test is skipped, or fails if PLUMBLINE_REQUIRE names "pulse".
package pulsetest

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// DeviceID is the device that PortAudio sees the cable as.
const DeviceID = "alsa/pulse"

// cable is the name of the sink; its monitor is the default source.
const cable = "cable"

// Config describes the cable. The zero Config is stereo at 48 kHz.
type Config struct {
	RateHz   int // 0: 48000
	Channels int // 0: 2; at most 8
}

// Server is a running PulseAudio daemon. Its methods fail the test on trouble.
type Server struct {
	t      testing.TB
	cfg    Config
	dir    string
	env    []string
	daemon *exec.Cmd
	log    lockedBuffer
}

// Start runs a daemon until the end of the test and points the environment of
// this process, hence PortAudio, at it. The test must not be parallel.
func Start(t testing.TB, cfg Config) *Server {
	t.Helper()
	requireTools(t)
	if cfg.RateHz == 0 {
		cfg.RateHz = 48000
	}
	if cfg.Channels == 0 {
		cfg.Channels = 2
	}
	dir, err := os.MkdirTemp("", "pulse") // not t.TempDir: a socket's path must be short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })

	s := &Server{t: t, cfg: cfg, dir: dir}
	socket := filepath.Join(dir, "native")
	// By default the kernel ends a daemon whose real-time thread got no rest for 0.2 s, as
	// happens where other tests keep the machine busy.
	conf := filepath.Join(dir, "daemon.conf")
	if err := os.WriteFile(conf, []byte("rlimit-rttime = -1\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s.env = []string{
		"PULSE_SERVER=unix:" + socket,
		"PULSE_RUNTIME_PATH=" + dir,
		"PULSE_STATE_PATH=" + dir,
		"XDG_RUNTIME_DIR=" + dir,
		"XDG_CONFIG_HOME=" + dir,
		"PULSE_COOKIE=" + filepath.Join(dir, "cookie"),
		"PULSE_CONFIG=" + conf,
	}
	for _, kv := range s.env {
		k, v, _ := strings.Cut(kv, "=")
		t.Setenv(k, v)
	}

	s.daemon = exec.Command("pulseaudio", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1",
		"--realtime=yes", "--high-priority=yes", // where that is allowed: other tests keep the machine busy
		"--log-target=stderr", "-n",
		"-L", "module-native-protocol-unix auth-anonymous=1 socket="+socket,
		"-L", s.sink())
	s.daemon.Stderr = &s.log
	if err := s.daemon.Start(); err != nil {
		t.Fatalf("start pulseaudio: %v", err)
	}
	gone := make(chan struct{})
	var ended error
	go func() { ended = s.daemon.Wait(); close(gone) }()
	t.Cleanup(func() {
		select {
		case <-gone:
			t.Errorf("pulseaudio ended by itself: %v\n%s", ended, s.log.String())
			return
		default:
		}
		s.Thaw()
		_ = s.daemon.Process.Signal(syscall.SIGTERM)
		select {
		case <-gone:
		case <-time.After(5 * time.Second):
			_ = s.daemon.Process.Kill()
			<-gone
		}
	})

	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if err := exec.Command("pactl", "info").Run(); err == nil {
			return s
		}
		select {
		case <-gone:
			t.Fatalf("pulseaudio ended:\n%s", s.log.String())
		default:
		}
		if time.Now().After(deadline) {
			t.Fatalf("pulseaudio does not answer:\n%s", s.log.String())
		}
	}
}

func (s *Server) sink() string {
	return fmt.Sprintf("module-null-sink sink_name=%s format=float32le rate=%d channels=%d channel_map=%s",
		cable, s.cfg.RateHz, s.cfg.Channels, s.channelMap())
}

// channelMap has the order in which ALSA numbers loudspeakers; used throughout,
// it keeps PulseAudio from mixing one channel into another.
func (s *Server) channelMap() string {
	if s.cfg.Channels == 1 {
		return "mono"
	}
	order := []string{"front-left", "front-right", "rear-left", "rear-right", "front-center", "lfe", "side-left", "side-right"}
	return strings.Join(order[:s.cfg.Channels], ",")
}

// Play plays a WAV file into the cable, over and over, until the test ends or
// the function it returns is called.
func (s *Server) Play(path string) (stop func()) {
	s.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() {
		for ctx.Err() == nil {
			player := exec.CommandContext(ctx, "paplay", "--device="+cable, "--channel-map="+s.channelMap(), path)
			var out bytes.Buffer
			player.Stdout, player.Stderr = &out, &out
			err := player.Start()
			if err == nil {
				_ = syscall.Setpriority(syscall.PRIO_PROCESS, player.Process.Pid, -11) // as the daemon's; where that is allowed
				err = player.Wait()
			}
			if err != nil && ctx.Err() == nil {
				s.t.Errorf("paplay: %v: %s", err, out.String())
				return
			}
		}
	})
	stop = sync.OnceFunc(func() { cancel(); wg.Wait() })
	s.t.Cleanup(stop)
	return stop
}

// Unplug takes the cable away; who captures from it loses the device.
func (s *Server) Unplug() { s.pactl("unload-module", "module-null-sink") }

// Plug brings the cable back.
func (s *Server) Plug() { s.pactl(append([]string{"load-module"}, strings.Fields(s.sink())...)...) }

// Freeze stops the daemon as an overload would; Thaw lets it go on.
func (s *Server) Freeze() { _ = s.daemon.Process.Signal(syscall.SIGSTOP) }

// Thaw ends Freeze.
func (s *Server) Thaw() { _ = s.daemon.Process.Signal(syscall.SIGCONT) }

func (s *Server) pactl(args ...string) {
	s.t.Helper()
	if out, err := exec.Command("pactl", args...).CombinedOutput(); err != nil {
		s.t.Fatalf("pactl %s: %v: %s", strings.Join(args, " "), err, out)
	}
}

func requireTools(t testing.TB) {
	t.Helper()
	var missing []string
	for _, tool := range []string{"pulseaudio", "pactl", "paplay"} {
		if _, err := exec.LookPath(tool); err != nil {
			missing = append(missing, tool)
		}
	}
	const plugin = "alsa-lib/libasound_module_pcm_pulse.so"
	multiarch, _ := filepath.Glob("/usr/lib/*/" + plugin) // the patterns are well-formed
	plain, _ := filepath.Glob("/usr/lib*/" + plugin)
	if len(multiarch)+len(plain) == 0 {
		missing = append(missing, "ALSA's pulse plugin")
	}
	if len(missing) == 0 {
		return
	}
	text := "no " + strings.Join(missing, ", ") + ": run .ci/setup test"
	if strings.Contains(","+os.Getenv("PLUMBLINE_REQUIRE")+",", ",pulse,") {
		t.Fatal(text)
	}
	t.Skip(text)
}

// lockedBuffer is written by the process's copier and read by the test.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}
