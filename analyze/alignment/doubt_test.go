package alignment

import (
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"plumbline/analyze/internal/seattest"
	"plumbline/analyze/response"
	"plumbline/analyze/summation"
)

func TestTune(t *testing.T) {
	theatres, _ := strconv.Atoi(os.Getenv("THEATRES"))
	if theatres == 0 {
		t.Skip()
	}
	const window, size = 16384, 1 << 18
	band := summation.Band{LowHz: 100, HighHz: 5000}
	var grid []float64
	for k := 30; k < 1800; k++ {
		grid = append(grid, float64(k)*seattest.RateHz/window)
	}
	for _, snrDB := range []float64{0, -10, -20} {
		type count struct{ n, covered, bias, width, rms float64 }
		var seat, aim, today [2]count
		for seed := range uint64(theatres) {
			rng := rand.New(rand.NewPCG(seed, 7))
			pa, pb := theatre(seed)
			pa, pb = pa[:3], pb[:3]
			var seats, exact []Seat
			for i := range pa {
				measure := func(p seattest.Path) *response.Spectra {
					ref, mic := seattest.RecordN(rng, size, window, snrDB, p)
					return seattest.Welch(ref, mic, window, p.Copies[0].DelayMs)
				}
				off := pb[i].Copies[0].DelayMs - pa[i].Copies[0].DelayMs + 0.02*rng.NormFloat64()
				seats = append(seats, Seat{A: measure(pa[i]), B: measure(pb[i]), Arrivals: Arrivals{off, 0.02}})
				exact = append(exact, Seat{A: seattest.Exact(grid, 30, pa[i].Response), B: seattest.Exact(grid, 30, pb[i].Response)})
			}
			for h, spread := range []float64{0, 0.223} {
				for i := range seats {
					seats[i].SpreadMs, exact[i].SpreadMs = spread, spread
				}
				p, err := New(Config{Band: band, MaxDelayMs: 12}, seats)
				if err != nil {
					t.Fatal(err)
				}
				truth, err := New(Config{Band: band, MaxDelayMs: 12}, exact)
				if err != nil {
					t.Fatal(err)
				}
				r := p.Solve()
				x := []Setting{{Sign: 1}, r.Plan}
				d := p.doubts(x)
				add := func(c *count, est, tr float64, in Interval) {
					c.n++
					if in.LowDB <= tr && tr <= in.HighDB {
						c.covered++
					}
					c.bias += est - tr
					c.rms += (est - tr) * (est - tr)
					c.width += in.HighDB - in.LowDB
				}
				for k := range x {
					es, ea := p.Efficiency(nil, x[k])
					ts, ta := truth.Efficiency(nil, x[k])
					for i := range es {
						if k == 0 {
							add(&today[h], es[i], ts[i], d.seats[i][k])
						} else {
							add(&seat[h], es[i], ts[i], d.seats[i][k])
						}
					}
					if k == 1 {
						add(&aim[h], ea, ta, d.aim[k])
					}
				}
			}
		}
		for h := range seat {
			for name, c := range map[string]count{"seat": seat[h], "aim": aim[h], "today": today[h]} {
				t.Logf("%g dB spread %d %s: covered %.1f %% of %.0f, bias %+.3f rms %.3f width %.3f", snrDB, h, name, 100*c.covered/c.n, c.n, c.bias/c.n, math.Sqrt(c.rms/c.n), c.width/c.n)
			}
		}
	}
}
