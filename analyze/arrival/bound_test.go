package arrival

import (
	"fmt"
	"math"
	"math/cmplx"
	"testing"

	"plumbline/analyze/internal/programme"
	"plumbline/analyze/internal/reference"
	"plumbline/analyze/internal/truth"
)

// bandLimit keeps low…high Hz, with nothing done to the phase.
func bandLimit(x []float64, rate, low, high float64) []float64 {
	return programme.Filter(x, rate, func(f float64) complex128 {
		if f < low || f > high {
			return 0
		}
		return 1
	})
}

// The error of the delay against the Cramér–Rao bound of tde_crlb.csv (Knapp and
// Carter 1976; Quazi 1981): broadband noise, equal signal-to-noise ratio in both
// channels, and the standard deviation that is reported against the true scatter.
func TestCramerRaoBound(t *testing.T) {
	trials := 40
	if truth.Thorough {
		trials = 200
	}
	const rate = 48000
	worst, sdLow, sdHigh, used := 0.0, math.Inf(1), 0.0, 0
	for _, row := range reference.Table(t, "reference/tde_crlb.csv") {
		low, high, seconds, snr := row.Number(t, "f1_hz"), row.Number(t, "f2_hz"), row.Number(t, "T_s"), row.Number(t, "snr_db")
		if snr != 0 && snr != 20 {
			continue // the claim is of those two
		}
		used++
		name := fmt.Sprintf("%g…%g Hz, %g s, %g dB", low, high, seconds, snr)
		make := func(seed uint64) (x, y []float64, delay float64) {
			r := programme.New(seed)
			n := int(seconds*rate) + 4800 // the part of y that x reaches is seconds long
			delay = 4800.0/rate + 1e-3*r.Float64()
			x = bandLimit(programme.White(r, n), rate, low, high)
			y = programme.Delay(x, rate, delay)
			programme.Normalise(x)
			programme.Normalise(y[4800:])
			share := math.Sqrt((high - low) / (rate / 2))
			for i, v := range bandLimit(programme.White(r, n), rate, low, high) {
				x[i] += v / share * math.Pow(10, -snr/20)
			}
			for i, v := range bandLimit(programme.White(r, n), rate, low, high) {
				y[i] += v / share * math.Pow(10, -snr/20)
			}
			return x, y, delay
		}
		if seconds < 0.2 { // the bound is no promise: so little is not told at all
			for seed := range uint64(10) {
				x, y, _ := make(seed)
				if list, reason := find(t, Config{SampleRateHz: rate, MaxDelayS: 0.3}, x, y); len(list) > 0 || reason == "" {
					t.Errorf("%s: told of so little: %v", name, list)
				}
			}
			continue
		}
		errs, sds := scatter(t, trials, make, rate)
		rms, sd := rms(errs)*1e6, mean(sds)*1e6
		bound := row.Number(t, "sigma_us")
		t.Logf("%s: error %.4g µs, bound %.4g µs (%.2f), reported %.4g µs (%.2f of the scatter)", name, rms, bound, rms/bound, sd, sd/rms)
		if rms > 1.3*bound {
			t.Errorf("%s: error is %.2f of the bound", name, rms/bound)
		}
		if sd < 0.8*rms || sd > 1.2*rms {
			t.Errorf("%s: reported standard deviation is %.2f of the true scatter", name, sd/rms)
		}
		worst = max(worst, rms/bound)
		sdLow, sdHigh = min(sdLow, sd/rms), max(sdHigh, sd/rms)
	}
	if used < 6 {
		t.Fatalf("%d rows of the table used", used)
	}
	truth.Claim(t, "delay error at 0 and 20 dB SNR in both channels: RMS over 200 trials ≤ 1.3 of the bound; reported SD within 20 % of the scatter", "tde_crlb.csv: Knapp and Carter 1976, Quazi 1981",
		fmt.Sprintf("%.2f of the bound at worst in %d trials; SD %.2f…%.2f of the scatter", worst, trials, sdLow, sdHigh), truth.AtMost(worst, "1.3"), truth.AtMost(100*max(sdHigh-1, 1-sdLow), "20"))
}

// The same with a reference that is free of noise, as the console's output is:
// (1−γ²)/γ² = 1/SNR, so var = 3/(8π²T)/SNR/(f2³−f1³); white and pink, where the
// SNR is that of each frequency.
func TestCramerRaoBoundOfCleanReference(t *testing.T) {
	trials := 40
	if truth.Thorough {
		trials = 200
	}
	const rate, seconds, high = 48000, 2.0, 24000.0
	worst, sdLow, sdHigh := 0.0, math.Inf(1), 0.0
	for _, kind := range []string{"white", "pink"} {
		for _, snr := range []float64{0, 20} {
			errs, sds := scatter(t, trials, func(seed uint64) (x, y []float64, delay float64) {
				r := programme.New(seed)
				delay = 0.01 + 1e-3*r.Float64()
				if kind == "white" {
					x = programme.White(r, seconds*rate)
					return x, programme.AddNoise(r, programme.Delay(x, rate, delay), snr), delay
				}
				x = programme.Pink(r, rate, seconds*rate)
				return x, programme.AddPinkNoise(r, rate, programme.Delay(x, rate, delay), snr), delay
			}, rate)
			// Pink from 20 Hz up: γ² is the same at all frequencies.
			bound := math.Sqrt(3/(8*math.Pi*math.Pi*(seconds-0.01))/math.Pow(10, snr/10)/math.Pow(high, 3)) * 1e6
			rms, sd := rms(errs)*1e6, mean(sds)*1e6
			t.Logf("%s %g dB: error %.4g µs, bound %.4g µs (%.2f), reported %.4g µs (%.2f)", kind, snr, rms, bound, rms/bound, sd, sd/rms)
			if rms > 1.3*bound {
				t.Errorf("%s %g dB: error is %.2f of the bound", kind, snr, rms/bound)
			}
			if sd < 0.8*rms || sd > 1.2*rms {
				t.Errorf("%s %g dB: reported standard deviation is %.2f of the true scatter", kind, snr, sd/rms)
			}
			worst = max(worst, rms/bound)
			sdLow, sdHigh = min(sdLow, sd/rms), max(sdHigh, sd/rms)
		}
	}
	truth.Claim(t, "delay error with a clean reference, white and pink: ≤ 1.3 of the bound; SD within 20 %", "Knapp and Carter 1976 with γ² = SNR/(1+SNR)",
		fmt.Sprintf("%.2f of the bound at worst in %d trials; SD %.2f…%.2f of the scatter", worst, trials, sdLow, sdHigh), truth.AtMost(worst, "1.3"), truth.AtMost(100*max(sdHigh-1, 1-sdLow), "20"))
}

// scatter runs trials and returns the errors and the reported standard deviations, seconds.
func scatter(t *testing.T, trials int, make func(seed uint64) (x, y []float64, delay float64), rate float64) (errs, sds []float64) {
	t.Helper()
	errs, sds = append(errs, zeros(trials)...), append(sds, zeros(trials)...)
	truth.Trials(trials, func(i int) {
		x, y, delay := make(uint64(i) + 1)
		list, reason := find(t, Config{SampleRateHz: rate, MaxDelayS: 0.3}, x, y)
		if len(list) != 1 {
			t.Errorf("trial %d: %v %s", i, list, reason)
			return
		}
		errs[i], sds[i] = list[0].DelayMs/1000-delay, list[0].DelaySDMs/1000
	})
	return errs, sds
}

func zeros(n int) []float64 { return make([]float64, n) }

func rms(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x * x
	}
	return math.Sqrt(sum / float64(len(v)))
}

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

// A parabola through three samples of a correlation is biased by up to 0.12
// samples: subsample_parabola.csv tabulates it for the correlation of full-band
// white noise, sin(πt)/(πt). The table is computed again here, and a finder's
// bias at the same delays, without noise, is under a thousandth of it.
func TestNoParabolaBias(t *testing.T) {
	sinc := func(x float64) float64 {
		if x == 0 {
			return 1
		}
		return math.Sin(math.Pi*x) / (math.Pi * x)
	}
	const rate = 48000
	r := programme.New(4)
	x := programme.White(r, 2*rate)
	worst, parabola := 0.0, 0.0
	for _, row := range reference.Table(t, "reference/subsample_parabola.csv") {
		over, delay := row.Number(t, "correlation_oversampling"), row.Number(t, "true_delay_samples")
		at := math.Round(delay*over) / over
		a, b, c := sinc(at-1/over-delay), sinc(at-delay), sinc(at+1/over-delay)
		got := at + (a-c)/(2*(a-2*b+c))/over
		if math.Abs(delay*over-math.Round(delay*over)) < 0.499 && math.Abs(got-row.Number(t, "parabola_estimate")) > 2e-5 {
			t.Errorf("table at %g, oversampling %g: %.5f, table %.5f", delay, over, got, row.Number(t, "parabola_estimate"))
		}
		parabola = max(parabola, math.Abs(row.Number(t, "bias_samples")))
		if over != 1 {
			continue
		}
		list, reason := find(t, Config{MaxDelayS: 0.3}, x, programme.Delay(x, rate, (100+delay)/rate))
		if len(list) == 0 {
			t.Fatal(reason)
		}
		bias := list[0].DelayMs*rate/1000 - 100 - delay
		worst = max(worst, math.Abs(bias))
		if math.Abs(bias) > 1.2e-4 {
			t.Errorf("delay of 100 and %g samples: bias %g samples", delay, bias)
		}
	}
	truth.Claim(t, "bias at fractions of a sample, no noise: under a thousandth of a parabola's", "subsample_parabola.csv: computed from the sinc correlation",
		fmt.Sprintf("%.1e samples at most (parabola: %.3f)", worst, parabola))
}

// A band-limited path with a phase of its own: the slope is still the delay.
func TestConstantPhaseDoesNotMatter(t *testing.T) {
	const rate = 48000
	r := programme.New(5)
	x := programme.White(r, 2*rate)
	y := programme.Filter(x, rate, func(f float64) complex128 {
		if f < 300 || f > 8000 {
			return 0
		}
		return -cmplx.Rect(1, -2*math.Pi*f*0.0456)
	})
	programme.AddNoise(r, y, 20)
	list, reason := find(t, Config{}, x, y)
	if len(list) == 0 {
		t.Fatal(reason)
	}
	if a := loudest(list); math.Abs(a.DelayMs-45.6) > 5*a.DelaySDMs || a.Sign != -1 {
		t.Errorf("got %+v", list)
	}
}
