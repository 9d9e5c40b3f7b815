package main

import (
	"math"
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"plumbline/capture/wavfile"
	"plumbline/stream/wire"
)

// calibrator records a tone of a level re full scale.
func calibrator(t *testing.T, dbfs float64) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "calibrator.wav")
	w, err := wavfile.Create(path, wavfile.Format{SampleRateHz: 48000, Channels: 1, Encoding: wavfile.Float32})
	if err != nil {
		t.Fatal(err)
	}
	x := make([]float32, 6*48000)
	for i := range x {
		x[i] = float32(math.Pow(10, dbfs/20) * math.Sin(2*math.Pi*1000*float64(i)/48000))
	}
	if err := w.Write(x); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// A full-scale sine wave stands for 94 dB − (−26 dB) = 120 dB.
func TestACalibratorsRecordingCalibratesTheDaemon(t *testing.T) {
	d := start(t, "demo", "--empty", "--listen", "127.0.0.1:0", "--calibration", calibrator(t, -26)+"=94")
	var v wire.Calibrations
	d.get(t, "/api/v1/calibration", http.StatusOK, &v)
	if len(v.Calibrations) != 1 || math.Abs(float64(v.Calibrations[0].OffsetDB)-120) > 0.02 || float64(v.Calibrations[0].LevelDB) != 94 || v.Calibrations[0].Microphone != 2 {
		t.Errorf("%+v", v)
	}
	var levels wire.SoundLevels
	d.get(t, "/api/v1/levels", http.StatusOK, &levels)
	if levels.Microphones[0].Unit != wire.UnitPascal {
		t.Errorf("%+v", levels.Microphones[0])
	}
}

func TestWhatCannotCalibrateIsRefused(t *testing.T) {
	for _, c := range []struct{ args, say string }{
		{"--calibration " + calibrator(t, -90) + "=94", "no calibrator tone"},
		{"--calibration nowhere.wav=94", "nowhere.wav"},
		{"--calibration x.wav", "CAL.wav=LEVEL"},
		{"--calibration x.wav=94 --sensitivity 120", "give one of them"},
		{"--webhook ftp://desk/hook", "https://host/path"},
	} {
		o := plumbline(t, append([]string{"demo", "--empty", "--listen", "127.0.0.1:0"}, strings.Fields(c.args)...)...)
		if o.code == exitDone || !strings.Contains(o.stderr, c.say) {
			t.Errorf("%s: exit status %d, %q", c.args, o.code, o.stderr)
		}
	}
}
