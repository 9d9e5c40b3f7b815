"""Takes a few horizontal-plane responses out of the head-related response set
that Debian's libmysofa1 ships, for the test of arrivals on a measured path.

    /usr/bin/python3 testdata/scripts/head_related.py

Reads /usr/share/libmysofa/MIT_KEMAR_normal_pinna.sofa (needs python3-h5py) and
writes testdata/head_related.csv: per row the azimuth of the source (degrees, 0 in
front, counted to the left), the ear, and the impulse response, 512 samples.
"""

import pathlib

import h5py

SOURCE = "/usr/share/libmysofa/MIT_KEMAR_normal_pinna.sofa"
TARGET = pathlib.Path(__file__).resolve().parent.parent / "head_related.csv"
AZIMUTHS = [0, 15, 30, 45, 60, 75, 90, 270, 300, 330]

with h5py.File(SOURCE) as f, open(TARGET, "w", encoding="ascii") as out:
    rate = int(f["Data.SamplingRate"][0])
    responses, positions = f["Data.IR"][:], f["SourcePosition"][:]
    out.write("# Source: W. G. Gardner and K. D. Martin, HRTF measurements of a dummy-head microphone, MIT Media Lab, 1994;\n")
    out.write("# free with citation; from Debian libmysofa1, made by scripts/head_related.py. Sample rate %d Hz.\n" % rate)
    out.write("# azimuth_deg (to the left), ear, samples\n")
    for azimuth in AZIMUTHS:
        (index,) = [
            i for i, p in enumerate(positions) if p[1] == 0 and round(p[0]) == azimuth
        ]
        for ear, name in enumerate(["left", "right"]):
            row = ",".join("%.6g" % v for v in responses[index, ear])
            out.write("%d,%s,%s\n" % (azimuth, name, row))
