#!/usr/bin/env python3
"""Time `plumbline response` beside the same calculation in scipy.

usage: response_vs_scipy.py PROGRAM [MINUTES]

Both take ten minutes of stereo at 48 kHz, made here, with Hann windows of 16384
samples and 75 % overlap, and yield transfer function and coherence:

  scipy      csd(x, y), welch(x), welch(y) on float64 arrays that are in memory;
             the clock does not count starting, importing or reading the file
  plumbline  the whole process, from its start to the last byte of its JSON

They take turns; the shortest of three counts. The processor time, user and
system, beside it is less troubled by what else the machine does. The results must agree, or the
times mean nothing. Run it with OPENBLAS_CORETYPE unset, which slows numpy.
"""
import json
import os
import subprocess
import sys
import tempfile
import time

import numpy as np
import scipy
from scipy import signal
from scipy.io import wavfile

RATE_HZ, WINDOW, OVERLAP, TURNS = 48000, 16384, 0.75, 3


def recording(path, minutes):
    """White noise, and what a room-like path makes of it, with noise added."""
    rng = np.random.default_rng(1)
    x = rng.standard_normal(minutes * 60 * RATE_HZ) * 0.1
    b, a = signal.butter(2, [100, 8000], "bandpass", fs=RATE_HZ)
    y = signal.lfilter(b, a, x) + 0.01 * rng.standard_normal(len(x))
    wavfile.write(path, RATE_HZ, np.column_stack([x, y]).astype(np.float32))


def with_scipy(x, y):
    opts = dict(fs=RATE_HZ, window="hann", nperseg=WINDOW, noverlap=int(WINDOW * OVERLAP))
    began, cpu = time.perf_counter(), time.process_time()
    f, gxy = signal.csd(x, y, **opts)
    gxx = signal.welch(x, **opts)[1]
    gyy = signal.welch(y, **opts)[1]
    h, coherence = gxy / gxx, np.abs(gxy) ** 2 / (gxx * gyy)
    return (time.perf_counter() - began, time.process_time() - cpu), f, h, coherence


def with_plumbline(program, path, cores=None):
    env = dict(os.environ, **({"GOMAXPROCS": str(cores)} if cores else {}))
    args = [program, "response", path, "--window", str(WINDOW), "--overlap", str(OVERLAP), "--delay", "0", "--json"]
    began, before = time.perf_counter(), os.times()
    out = subprocess.run(args, env=env, stdout=subprocess.PIPE, check=True).stdout
    wall, after = time.perf_counter() - began, os.times()
    cpu = after.children_user + after.children_system - before.children_user - before.children_system
    return (wall, cpu), json.loads(out)["microphones"][0]


def main():
    program = sys.argv[1]
    minutes = int(sys.argv[2]) if len(sys.argv) > 2 else 10
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "noise.wav")
        recording(path, minutes)
        x, y = wavfile.read(path)[1].astype(np.float64).T.copy()

        times = {"scipy": [], "all cores": [], "one core": []}
        for _ in range(TURNS):
            t, f, h, coherence = with_scipy(x, y)
            times["scipy"].append(t)
            t, mic = with_plumbline(program, path)
            times["all cores"].append(t)
            t, _ = with_plumbline(program, path, cores=1)
            times["one core"].append(t)

    band = slice(1, -1)  # at 0 Hz and at half the rate there is next to nothing
    got_f = np.array(mic["frequency_hz"], float)
    got_db = np.array(mic["magnitude_db"], float)  # null becomes nan
    got_coherence = np.array(mic["coherence"], float)
    if len(got_f) != len(f) or np.max(np.abs(got_f - f)) > 1e-6:
        sys.exit("the frequencies differ")
    off_db = np.nanmax(np.abs(got_db - 20 * np.log10(np.abs(h)))[band])
    off_coherence = np.nanmax(np.abs(got_coherence - coherence)[band])
    if not (off_db < 1e-3 and off_coherence < 1e-4):
        sys.exit(f"the results differ by {off_db:.2g} dB and {off_coherence:.2g} of coherence")

    wall = {k: min(w for w, _ in v) for k, v in times.items()}
    cpu = {k: min(c for _, c in v) for k, v in times.items()}
    print(f"{minutes} min of stereo, window {WINDOW}, overlap {OVERLAP:.0%}, {os.cpu_count()} cores, scipy {scipy.__version__}")
    print(f"  scipy                 {wall['scipy']:6.2f} s, processor {cpu['scipy']:6.2f} s  (calculation only)")
    for k in ("all cores", "one core"):
        print(f"  plumbline, {k:10} {wall[k]:6.2f} s, processor {cpu[k]:6.2f} s  (whole process)"
              f"  {wall['scipy'] / wall[k]:.1f} times as fast")
    print(f"  results agree to {off_db:.1g} dB, coherence to {off_coherence:.1g}")


main()
