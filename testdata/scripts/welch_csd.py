#!/usr/bin/python3
"""Makes testdata/welch_csd.csv: scipy.signal.welch and csd of two channels that
a test can make again, for several windows and overlaps.

Needs numpy and scipy (made with scipy 1.10.1, Debian python3-scipy).
Run in this directory: ./welch_csd.py > ../welch_csd.csv
"""
import numpy as np
import scipy
from scipy import signal

N = 20000


def noise(seed):
    """Uniform in −1…1 from the linear congruential generator of Numerical
    Recipes (2nd ed., 7.1): exact in any language."""
    x = np.empty(N)
    state = seed
    for i in range(N):
        state = (1664525 * state + 1013904223) % 2**32
        x[i] = state / 2**31 - 1
    return x


x = noise(1) + 0.25
z = noise(2)
y = 0.01 * z - 0.125
for lag, gain in ((3, 0.5), (4, -0.25), (40, 0.125)):
    y[lag:] += gain * x[:-lag]

print("# Source: scipy.signal.welch and csd, scipy", scipy.__version__, "- defaults, window hann, scaling density")
print("# Made by testdata/scripts/welch_csd.py; channels as defined there")
print("rate_hz,window,noverlap,bin,gxx,gyy,gxy_re,gxy_im,coherence")
for rate, n, overlap in ((48000, 16, 0), (48000, 64, 32), (44100, 256, 192), (96000, 512, 307), (48000, 1024, 768), (192000, 256, 255)):
    f, gxx = signal.welch(x, rate, "hann", n, overlap)
    f, gyy = signal.welch(y, rate, "hann", n, overlap)
    f, gxy = signal.csd(x, y, rate, "hann", n, overlap)
    f, coh = signal.coherence(x, y, rate, "hann", n, overlap)
    for k in range(len(f)):
        print(rate, n, overlap, k, repr(float(gxx[k])), repr(float(gyy[k])), repr(float(gxy[k].real)), repr(float(gxy[k].imag)), repr(float(coh[k])), sep=",")
