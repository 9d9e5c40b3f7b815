#!/usr/bin/python3
"""Makes testdata/reference/multi_input.csv: numpy.linalg.solve of the spectra that
scipy.signal.csd makes of several references and one microphone, which a test can
make again.

Needs numpy and scipy (made with numpy 1.24.2 and scipy 1.10.1, Debian python3-scipy).
Run in this directory: ./multi_input.py > ../reference/multi_input.csv
"""
import numpy as np
import scipy
from scipy import signal

N = 20000
RATE = 48000


def noise(seed):
    """Uniform in −1…1 from the linear congruential generator of Numerical
    Recipes (2nd ed., 7.1): exact in any language."""
    x = np.empty(N)
    state = seed
    for i in range(N):
        state = (1664525 * state + 1013904223) % 2**32
        x[i] = state / 2**31 - 1
    return x


def channels(references):
    """Reference p is its own noise and 1.5 of one that all have; the microphone hears
    each 3 + 4p samples late, inverted every second time, and noise."""
    common = noise(100)
    x = [noise(101 + p) + 1.5 * common for p in range(references)]
    y = 0.3 * noise(99)
    for p in range(references):
        lag, gain = 3 + 4 * p, (-1) ** p / (1 + p)
        y[lag:] += gain * x[p][:-lag]
        y[lag + 1:] += 0.25 * gain * x[p][:-lag - 1]
    return x, y


print("# Source: numpy.linalg.solve, numpy", np.__version__, "- of scipy.signal.csd, scipy", scipy.__version__)
print("# Made by testdata/scripts/multi_input.py; channels as defined there. coherence is the partial coherence of")
print("# the path, from the Schur complement that numpy.linalg.inv makes; multiple is that of all references.")
print("references,window,noverlap,bin,path,h_re,h_im,coherence,multiple")
for references, n, overlap in ((2, 64, 32), (3, 128, 96), (8, 64, 48)):
    x, y = channels(references)
    z = x + [y]
    g = np.array([[signal.csd(a, b, RATE, "hann", n, overlap)[1] for b in z] for a in z])
    for k in range(n // 2 + 1):
        xx, xy, yy = g[:-1, :-1, k], g[:-1, -1, k], g[-1, -1, k].real
        h = np.linalg.solve(xx, xy)
        rest = yy - (xy.conj() @ h).real
        own = 1 / np.linalg.inv(xx).diagonal().real
        for p in range(references):
            explained = abs(h[p])**2 * own[p]
            print(references, n, overlap, k, p, repr(float(h[p].real)), repr(float(h[p].imag)),
                  repr(float(explained / (explained + rest))), repr(float(1 - rest / yy)), sep=",")
