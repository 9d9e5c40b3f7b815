#!/usr/bin/env python3
"""The computed columns of testdata/reference/*.csv, from the formulas of their headings.

    reference.py        compares each cell with the formula, to the digit it is printed with

It needs nothing but Python. What was taken from a page, not computed, is left alone: the
heading of the table names the page. Cells that are empty are not there.
"""

import csv
import math
import os
import sys

HERE = os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "reference")
checked = wrong = 0


def rows(name):
    with open(os.path.join(HERE, name + ".csv"), encoding="utf-8") as f:
        return list(csv.DictReader(line for line in f if not line.startswith("#")))


def check(name, row, column, value):
    """Compares a cell, within a unit of its last digit (halves are rounded either way)."""
    global checked, wrong
    text = row[column].strip()
    if text == "":
        return
    checked += 1
    if text in ("inf", "-inf"):
        ok = value == float(text)
    else:
        digits = len(text.split(".")[1]) if "." in text else 0
        ok = abs(float(text) - value) <= 0.51 * 10**-digits + 1e-12
    if not ok:
        wrong += 1
        print(f"{name}: {column} {text}, computed {value:.8g}: {dict(row)}", file=sys.stderr)


def number(row, column):
    return float(row[column])


def db(x):
    return 20 * math.log10(x) if x > 0 else -math.inf


def comb():
    for r in rows("comb"):
        a = 10 ** (-number(r, "level_difference_db") / 20)
        check("comb", r, "peak_db", db(1 + a))
        check("comb", r, "dip_db", db(1 - a))
        check("comb", r, "ripple_db", db(1 + a) - db(1 - a))
        check("comb", r, "incoherent_sum_db", 10 * math.log10(1 + a * a))
        check("comb", r, "max_phase_deviation_deg", math.degrees(math.asin(a)))


def coherent_sum():
    for r in rows("coherent_sum"):
        a, phi = 10 ** (-number(r, "level_difference_db") / 20), math.radians(number(r, "phase_deg"))
        h = abs(complex(1 + a * math.cos(phi), a * math.sin(phi)))
        check("coherent_sum", r, "sum_db_re_louder", -math.inf if h < 1e-12 else db(h))


def speed_of_sound():
    for r in rows("speed_of_sound"):
        t = number(r, "temperature_c")
        check("speed_of_sound", r, "sqrt_331_3", 331.3 * math.sqrt(1 + t / 273.15))
        check("speed_of_sound", r, "linear_331_3", 331.3 + 0.606 * t)
        check("speed_of_sound", r, "iso9613_1", 343.2 * math.sqrt((t + 273.15) / 293.15))
        check("speed_of_sound", r, "isa_ideal_gas", math.sqrt(1.4 * 287.05287 * (t + 273.15)))


def averaging_confidence():
    for r in rows("averaging_confidence"):
        n = number(r, "n_averages")
        check("averaging_confidence", r, "autospectrum_random_error", 1 / math.sqrt(n))
        for percent in (90, 95, 99):
            check("averaging_confidence", r, f"coherence_threshold_{percent}", 1 - (1 - percent / 100) ** (1 / (n - 1)))


def frf_random_error():
    for r in rows("frf_random_error"):
        n, g2 = number(r, "n_averages"), number(r, "coherence")
        eps = math.sqrt((1 - g2) / (2 * g2 * n))
        check("frf_random_error", r, "eps_mag", eps)
        check("frf_random_error", r, "eps_mag_exact_n_minus_1", math.sqrt((1 - g2) / (2 * g2 * (n - 1))))
        check("frf_random_error", r, "eps_coherence", math.sqrt(2) * (1 - g2) / math.sqrt(g2 * n))
        check("frf_random_error", r, "phase_sd_deg", math.degrees(eps))


WINDOWS = {
    "rectangular": [1],
    "hann": [0.5, 0.5],
    "hamming": [0.54, 0.46],
    "blackman": [0.42, 0.5, 0.08],
    "blackmanharris4": [0.35875, 0.48829, 0.14128, 0.01168],
    "flattop5": [0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368],
}


def window(name, n):
    return [sum((-1) ** k * a * math.cos(2 * math.pi * k * i / n) for k, a in enumerate(WINDOWS[name])) for i in range(n)]


def welch_overlap():
    n = 4096
    for r in rows("welch_overlap"):
        w = window(r["window"], n)
        hop = round(n * (1 - number(r, "overlap_percent") / 100))
        energy = sum(x * x for x in w)
        rho = [sum(w[i] * w[i + s] for i in range(n - s)) / energy for s in range(hop, n, hop)]
        each = 1 / (1 + 2 * sum(x * x for x in rho))
        check("welch_overlap", r, "rho_1", rho[0] if rho else 0)
        check("welch_overlap", r, "rho_2", rho[1] if len(rho) > 1 else 0)
        check("welch_overlap", r, "n_eff_per_segment", each)
        check("welch_overlap", r, "n_eff_per_window_length", each * n / hop)


def delay_bias():
    for r in rows("delay_bias"):
        u = number(r, "tau_over_T")
        rect = 1 - u
        # The Hann window's autocorrelation, normalised.
        hann = (1 - u) * (2 / 3 + math.cos(2 * math.pi * u) / 3) + math.sin(2 * math.pi * u) / (2 * math.pi)
        for kind, gain in (("rect", rect), ("hann", hann)):
            check("delay_bias", r, kind + "_gain", gain)
            check("delay_bias", r, kind + "_gain_db", db(gain))
            check("delay_bias", r, kind + "_coherence", gain * gain)


def windows_harris():
    for r in rows("windows_harris"):
        if "beta" in r["coefficients"]:
            continue  # Kaiser-Bessel windows are no sums of cosines
        a = [float(x) for x in r["coefficients"].split()] or [1]
        a = [x / sum(a) for x in a]  # 1 in the middle
        gain = a[0]
        power = a[0] ** 2 + sum(x * x for x in a[1:]) / 2
        check("windows_harris", r, "coherent_gain", gain)
        check("windows_harris", r, "coherent_gain_db", db(gain))
        check("windows_harris", r, "enbw_bins", power / gain**2)
        check("windows_harris", r, "enbw_db", 10 * math.log10(power / gain**2))


def image_source_example():
    room, source, microphone, beta, c = (5, 4, 3), (1, 1.5, 1.2), (3.5, 2.5, 1.6), 0.9, 343.2
    direct = math.dist(source, microphone)
    found = rows("image_source_example")
    want = set()
    for nx in range(-2, 3):
        for ny in range(-2, 3):
            for nz in range(-2, 3):
                for q in range(8):
                    bits = (q & 1, q >> 1 & 1, q >> 2 & 1)
                    ns = (nx, ny, nz)
                    order = sum(abs(n - b) + abs(n) for n, b in zip(ns, bits))
                    if order <= 2:
                        want.add((order, tuple(round((1 - 2 * b) * s + 2 * n * length, 6) for n, b, s, length in zip(ns, bits, source, room))))
    have = {(int(r["order"]), tuple(round(number(r, k), 6) for k in ("x_m", "y_m", "z_m"))) for r in found}
    global checked, wrong
    checked += 1
    if have != want:
        wrong += 1
        print(f"image_source_example: images {have ^ want}", file=sys.stderr)
    for r in found:
        d = math.dist([number(r, k) for k in ("x_m", "y_m", "z_m")], microphone)
        amplitude = beta ** int(r["order"]) / (4 * math.pi * d)
        check("image_source_example", r, "distance_m", d)
        check("image_source_example", r, "delay_ms", 1000 * d / c)
        check("image_source_example", r, "amplitude", amplitude)
        check("image_source_example", r, "level_db_re_direct", db(amplitude * 4 * math.pi * direct))


def farina_offsets():
    for r in rows("farina_offsets"):
        length = number(r, "T_s") / math.log(number(r, "f2_hz") / number(r, "f1_hz"))
        advance = length * math.log(number(r, "order"))
        check("farina_offsets", r, "L_s", length)
        check("farina_offsets", r, "advance_s", advance)
        check("farina_offsets", r, "advance_samples_48k", 48000 * advance)


def bands_iec61260():
    g = 10 ** 0.3
    for r in rows("bands_iec61260"):
        b = int(r["bandwidth"].split("/")[1])
        mid = 1000 * g ** (number(r, "x") / b)
        check("bands_iec61260", r, "exact_midband_hz", mid)
        check("bands_iec61260", r, "lower_edge_hz", mid * g ** (-1 / (2 * b)))
        check("bands_iec61260", r, "upper_edge_hz", mid * g ** (1 / (2 * b)))


def exposure_durations():
    for r in rows("exposure_durations"):
        level = number(r, "level_dba")
        check("exposure_durations", r, "niosh_minutes", 480 / 2 ** ((level - 85) / 3))
        check("exposure_durations", r, "osha_hours", 8 / 2 ** ((level - 90) / 5))


def tde_crlb():
    for r in rows("tde_crlb"):
        snr = 10 ** (number(r, "snr_db") / 10)
        band = number(r, "f2_hz") ** 3 - number(r, "f1_hz") ** 3
        sigma = math.sqrt(3 / (8 * math.pi**2 * number(r, "T_s")) * (1 + 2 * snr) / snr**2 / band)
        check("tde_crlb", r, "coherence", (snr / (1 + snr)) ** 2)
        check("tde_crlb", r, "sigma_us", 1e6 * sigma)
        check("tde_crlb", r, "sigma_samples_48k", 48000 * sigma)


def subsample_parabola():
    def sinc(x):
        return 1 if x == 0 else math.sin(math.pi * x) / (math.pi * x)

    for r in rows("subsample_parabola"):
        over, delay = number(r, "correlation_oversampling"), number(r, "true_delay_samples")
        at = round(delay * over)
        before, here, after = (sinc((at + i) / over - delay) for i in (-1, 0, 1))
        found = (at + (before - after) / (2 * (before - 2 * here + after))) / over
        check("subsample_parabola", r, "parabola_estimate", found)
        check("subsample_parabola", r, "bias_samples", found - delay)


def coherence_statistics():
    """Given k, negative binomial of n and C, the estimate is Beta(1+k, n−1)."""
    for r in rows("coherence_statistics"):
        n, c = int(r["n_averages"]), number(r, "true_coherence")
        mean = square = 0.0
        log = n * math.log1p(-c)
        k = 0
        total = 0.0
        while total < 1 - 1e-13 and k < 200000:
            weight = math.exp(log)
            total += weight
            mean += weight * (1 + k) / (n + k)
            square += weight * (1 + k) * (2 + k) / ((n + k) * (n + k + 1))
            if c == 0:
                break
            log += math.log(c * (n + k) / (1 + k))
            k += 1
        check("coherence_statistics", r, "mean", mean)
        check("coherence_statistics", r, "bias", mean - c)
        check("coherence_statistics", r, "std", math.sqrt(max(0, square - mean * mean)))
        check("coherence_statistics", r, "bias_approx_bendat", (1 - c) ** 2 / n)


def main():
    for table in (comb, coherent_sum, speed_of_sound, averaging_confidence, frf_random_error, welch_overlap, delay_bias,
                  windows_harris, image_source_example, farina_offsets, bands_iec61260, exposure_durations, tde_crlb,
                  subsample_parabola, coherence_statistics, iso3382_exponential, iso3382_truncation_bias,
                  sti_closed_form, two_input_example):
        table()
    print(f"{checked} cells, {wrong} of them are not what their formula gives")
    sys.exit(1 if wrong else 0)


def iso3382_exponential():
    for r in rows("iso3382_exponential"):
        a = 6 * math.log(10) / number(r, "T_s")
        check("iso3382_exponential", r, "a_per_s", a)
        check("iso3382_exponential", r, "C50_db", 10 * math.log10(math.expm1(0.05 * a)))
        check("iso3382_exponential", r, "C80_db", 10 * math.log10(math.expm1(0.08 * a)))
        check("iso3382_exponential", r, "D50", -math.expm1(-0.05 * a))
        check("iso3382_exponential", r, "Ts_ms", 1000 / a)


def iso3382_truncation_bias():
    a, step = 6 * math.log(10), 5e-6
    for r in rows("iso3382_truncation_bias"):
        down = 10 ** (-number(r, "level_db") / 10)
        if r["case"].startswith("truncated"):
            left = lambda t: math.exp(-a * t) - down
            end = -math.log(down) / a
        else:
            left = lambda t: (math.exp(-a * t) - math.exp(-2 * a)) / a + down * (2 - t)
            end = 2
        whole = left(0)

        def fitted(top, bottom):
            """Decay time of the line through the curve's points, least squares."""
            n = st = sl = stt = stl = 0
            for i in range(int(end / step)):
                level = 10 * math.log10(left(i * step) / whole)
                if level < bottom:
                    break
                if level <= top:
                    t = i * step
                    n, st, sl, stt, stl = n + 1, st + t, sl + level, stt + t * t, stl + t * level
            return -60 / ((n * stl - st * sl) / (n * stt - st * st))

        for column, top, bottom in ("EDT_s", 0, -10), ("T20_s", -5, -25), ("T30_s", -5, -35):
            check("iso3382_truncation_bias", r, column, fitted(top, bottom))


def sti_closed_form():
    weights = rows("sti_iec60268")
    modulations = [0.63, 0.8, 1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8, 10, 12.5]
    for r in rows("sti_closed_form"):
        index = 0
        for f in modulations:
            m = 1 / math.sqrt(1 + (2 * math.pi * f * number(r, "T_s") / (6 * math.log(10))) ** 2) / (1 + 10 ** (-number(r, "snr_db") / 10))
            snr = 15 if m >= 1 else min(15, max(-15, 10 * math.log10(m / (1 - m))))
            index += (snr + 15) / 30 / len(modulations)
        # The same index in every octave.
        sti = index * (sum(number(w, "alpha_male") for w in weights) - sum(number(w, "beta_male_to_next") for w in weights[:-1]))
        check("sti_closed_form", r, "sti", sti)


def two_input_example():
    g = {r["quantity"]: complex(number(r, "real"), float(r["imag"] or 0)) for r in rows("two_input_example")}
    g11, g22, gyy, g12, g1y, g2y = (g[k] for k in ("G11", "G22", "Gyy", "G12", "G1y", "G2y"))
    whole = g11 * g22 - abs(g12) ** 2
    rest2, rest1 = g22 - abs(g12) ** 2 / g11, g11 - abs(g12) ** 2 / g22
    g2y1, g1y2 = g2y - g12.conjugate() * g1y / g11, g1y - g12 * g2y / g22
    coherent = ((g22 * g1y - g12 * g2y) / whole).conjugate() * g1y + ((g11 * g2y - g12.conjugate() * g1y) / whole).conjugate() * g2y
    values = {
        "H1y": (g22 * g1y - g12 * g2y) / whole,
        "H2y": (g11 * g2y - g12.conjugate() * g1y) / whole,
        "ordinary_coherence_1y": abs(g1y) ** 2 / (g11 * gyy),
        "ordinary_coherence_2y": abs(g2y) ** 2 / (g22 * gyy),
        "ordinary_coherence_12": abs(g12) ** 2 / (g11 * g22),
        "G22.1": rest2,
        "G2y.1": g2y1,
        "Gyy.1": gyy - abs(g1y) ** 2 / g11,
        "G11.2": rest1,
        "G1y.2": g1y2,
        "Gyy.2": gyy - abs(g2y) ** 2 / g22,
        "multiple_coherence": coherent / gyy,
        "output_noise_Gnn": gyy - coherent,
        "partial_coherence_2y.1_classical": abs(g2y1) ** 2 / (rest2 * (gyy - abs(g1y) ** 2 / g11)),
        "partial_coherence_1y.2_classical": abs(g1y2) ** 2 / (rest1 * (gyy - abs(g2y) ** 2 / g22)),
        "partial_coherence_2y.1_total_output": abs(g2y1) ** 2 / (rest2 * gyy),
        "partial_coherence_1y.2_total_output": abs(g1y2) ** 2 / (rest1 * gyy),
    }
    for r in rows("two_input_example"):
        if r["quantity"] in values:
            check("two_input_example", r, "real", complex(values[r["quantity"]]).real)
            check("two_input_example", r, "imag", complex(values[r["quantity"]]).imag)


if __name__ == "__main__":
    main()
