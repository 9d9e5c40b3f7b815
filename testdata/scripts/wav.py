"""Writes testdata/wav: small WAV files made by programs that are not ours.

Sample i of channel c is ((i * 7919 + c * 104729) mod 65536 - 32768) * 2**16 as
a 32-bit integer, its upper bits in the narrower encodings, that / 2**31 as
float. Run: python3 testdata/scripts/wav.py (SciPy; 24 bits by Python's wave).
"""
import pathlib
import wave

import numpy as np
from scipy.io import wavfile

out = pathlib.Path(__file__).resolve().parent.parent / "wav"
i = np.arange(101, dtype=np.int64)[:, None]
c = np.arange(3, dtype=np.int64)[None, :]
x = (((i * 7919 + c * 104729) % 65536 - 32768) * 2**16).astype(np.int32)

wavfile.write(out / "int16.wav", 44100, (x >> 16).astype(np.int16))
wavfile.write(out / "int32.wav", 48000, x)
wavfile.write(out / "float32.wav", 96000, (x / 2**31).astype(np.float32))
wavfile.write(out / "float64.wav", 192000, x / 2**31)
with wave.open(str(out / "int24.wav"), "wb") as w:
    w.setnchannels(3)
    w.setsampwidth(3)
    w.setframerate(48000)
    w.writeframes(b"".join(int(v >> 8).to_bytes(3, "little", signed=True) for v in x.flat))
