package response

// addPairsGo adds |X|², |Y|² and X*·Y to what was averaged, times decay. X and Y
// are of two real sequences whose transform of x + jy has the bins up, and the
// same number of twins down, last first.
func addPairsGo(cells []cell, up, down []complex128, decay float64) {
	up, down = up[:len(cells)], down[:len(cells)]
	for i := range cells {
		u, d := up[i], down[len(down)-1-i]
		xr, xi := 0.5*(real(u)+real(d)), 0.5*(imag(u)-imag(d))
		yr, yi := 0.5*(imag(u)+imag(d)), 0.5*(real(d)-real(u))
		c := &cells[i]
		c.xx = decay*c.xx + (xr*xr + xi*xi)
		c.yy = decay*c.yy + (yr*yr + yi*yi)
		c.re = decay*c.re + (xr*yr + xi*yi)
		c.im = decay*c.im + (xr*yi - xi*yr)
	}
}
