package arrival

import (
	"bufio"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"plumbline/analyze/internal/programme"
)

func TestHead(t *testing.T) {
	file, err := os.Open("../../testdata/head_related.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	responses := map[string][]float64{}
	scanner := bufio.NewScanner(file)
	scanner.Buffer(nil, 1<<20)
	for scanner.Scan() {
		if strings.HasPrefix(scanner.Text(), "#") {
			continue
		}
		fields := strings.Split(scanner.Text(), ",")
		h := make([]float64, len(fields)-2)
		for i, v := range fields[2:] {
			if h[i], err = strconv.ParseFloat(v, 64); err != nil {
				t.Fatal(err)
			}
		}
		responses[fields[0]+" "+fields[1]] = h
	}
	const rate, radius, speed = 44100, 0.0875, 343.2
	r := programme.New(1)
	x := programme.White(r, 3*rate)
	for _, azimuth := range []float64{0, 15, 30, 45, 60, 75, 90, 270, 300, 330} {
		var at [2]Arrival
		for ear, name := range []string{"left", "right"} {
			h := responses[strconv.Itoa(int(azimuth))+" "+name]
			y := programme.AddNoise(r, programme.Convolve(x, h), 40)
			list, reason := find(t, Config{SampleRateHz: rate}, x, y)
			if len(list) == 0 {
				t.Errorf("%g %s: %s", azimuth, name, reason)
				continue
			}
			at[ear] = list[0]
			if len(list) > 1 {
				t.Log(azimuth, name, list)
			}
		}
		theta := azimuth * math.Pi / 180
		if azimuth > 180 {
			theta -= 2 * math.Pi
		}
		want := radius / speed * (math.Abs(theta) + math.Sin(math.Abs(theta))) * 1e6
		low := 3 * radius / speed * math.Sin(math.Abs(theta)) * 1e6
		got := math.Abs(at[1].DelayMs-at[0].DelayMs) * 1000
		t.Logf("%3.0f° left %.4f(%.4f) right %.4f(%.4f) signs %d %d: %.0f us, Woodworth %.0f us (low-frequency limit %.0f), off %.0f", azimuth, at[0].DelayMs, at[0].DelaySDMs, at[1].DelayMs, at[1].DelaySDMs, at[0].Sign, at[1].Sign, got, want, low, got-want)
	}
}
