package fft

// passGo does the radix-4 butterflies of one stage, from x into y: for every p and
// q < stride it takes x[q+stride·(p+i·m)], i = 0…3, m = len(x)/4/stride, and puts
// their transform, times 1 and the three twiddles of p, to y[q+stride·(4p+i)].
//
// The loops are written out in real arithmetic on re-sliced quarters: no bounds
// check and few pointers, which is what the speed hangs on.
func passGo(y, x, twiddles []complex128, stride int) {
	switch {
	case 4*stride == len(x):
		lastPass(y, x)
		return
	case stride == 1:
		firstPass(y, x, twiddles)
		return
	}
	h := len(x) / 4
	for p := 0; 3*p < len(twiddles); p++ {
		t := twiddles[3*p:][:3]
		w1r, w1i, w2r, w2i, w3r, w3i := real(t[0]), imag(t[0]), real(t[1]), imag(t[1]), real(t[2]), imag(t[2])
		b := p * stride
		x0, x1, x2, x3 := x[b:][:stride], x[b+h:][:stride], x[b+2*h:][:stride], x[b+3*h:][:stride]
		b *= 4
		y0, y1, y2, y3 := y[b:][:stride], y[b+stride:][:stride], y[b+2*stride:][:stride], y[b+3*stride:][:stride]
		for q := range x0 {
			ar, ai := real(x0[q]), imag(x0[q])
			cr, ci := real(x2[q]), imag(x2[q])
			sr, si, dr, di := ar+cr, ai+ci, ar-cr, ai-ci
			ar, ai = real(x1[q]), imag(x1[q])
			cr, ci = real(x3[q]), imag(x3[q])
			ur, ui, vr, vi := ar+cr, ai+ci, ai-ci, cr-ar
			y0[q] = complex(sr+ur, si+ui)
			er, ei := dr+vr, di+vi
			y1[q] = complex(er*w1r-ei*w1i, er*w1i+ei*w1r)
			er, ei = sr-ur, si-ui
			y2[q] = complex(er*w2r-ei*w2i, er*w2i+ei*w2r)
			er, ei = dr-vr, di-vi
			y3[q] = complex(er*w3r-ei*w3i, er*w3i+ei*w3r)
		}
	}
}

// firstPass is passGo for a stride of 1, with the twiddles in the inner loop.
func firstPass(y, x, twiddles []complex128) {
	h := len(x) / 4
	x0, x1, x2, x3 := x[:h], x[h:][:h], x[2*h:][:h], x[3*h:][:h]
	for p := range x0 {
		t := twiddles[3*p:][:3]
		o := y[4*p:][:4]
		ar, ai := real(x0[p]), imag(x0[p])
		cr, ci := real(x2[p]), imag(x2[p])
		sr, si, dr, di := ar+cr, ai+ci, ar-cr, ai-ci
		ar, ai = real(x1[p]), imag(x1[p])
		cr, ci = real(x3[p]), imag(x3[p])
		ur, ui, vr, vi := ar+cr, ai+ci, ai-ci, cr-ar
		o[0] = complex(sr+ur, si+ui)
		er, ei, wr, wi := dr+vr, di+vi, real(t[0]), imag(t[0])
		o[1] = complex(er*wr-ei*wi, er*wi+ei*wr)
		er, ei, wr, wi = sr-ur, si-ui, real(t[1]), imag(t[1])
		o[2] = complex(er*wr-ei*wi, er*wi+ei*wr)
		er, ei, wr, wi = dr-vr, di-vi, real(t[2]), imag(t[2])
		o[3] = complex(er*wr-ei*wi, er*wi+ei*wr)
	}
}

// lastPass is passGo without twiddles: all of them are 1 when four points are left.
func lastPass(y, x []complex128) {
	h := len(x) / 4
	x0, x1, x2, x3 := x[:h], x[h:][:h], x[2*h:][:h], x[3*h:][:h]
	y0, y1, y2, y3 := y[:h], y[h:][:h], y[2*h:][:h], y[3*h:][:h]
	for q := range x0 {
		ar, ai := real(x0[q]), imag(x0[q])
		cr, ci := real(x2[q]), imag(x2[q])
		sr, si, dr, di := ar+cr, ai+ci, ar-cr, ai-ci
		ar, ai = real(x1[q]), imag(x1[q])
		cr, ci = real(x3[q]), imag(x3[q])
		ur, ui, vr, vi := ar+cr, ai+ci, ai-ci, cr-ar
		y0[q] = complex(sr+ur, si+ui)
		y1[q] = complex(dr+vr, di+vi)
		y2[q] = complex(sr-ur, si-ui)
		y3[q] = complex(dr-vr, di-vi)
	}
}
