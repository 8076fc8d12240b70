#!/usr/bin/env python3
"""Star positions and times of SEP (Barbary 2016, JOSS 1(6), 58; the algorithms of
source-extractor), for comparison with the project's own detection.

    stars.py ROUNDS WIDTH HEIGHT FRAME.f32 ...

A frame is HEIGHT rows of WIDTH little-endian 32-bit floats. For each frame one
JSON object is printed on one line: the least time of ROUNDS runs in
milliseconds and, of the last run, the windowed positions (x, y) and
fluxes. The time holds the background, its subtraction, the extraction, the half-light
radius and the windowed positions, as SEP's documentation sets them up
(sigma of the window = 2/2.35 of the half-light radius); it does not hold reading the frame.
"""

import json
import sys
import time

import numpy as np
import sep

rounds, width, height = (int(a) for a in sys.argv[1:4])
sep.set_extract_pixstack(5_000_000)
for name in sys.argv[4:]:
    frame = np.fromfile(name, dtype="<f4").reshape(height, width)
    best = float("inf")
    for _ in range(rounds):
        start = time.perf_counter()
        sky = sep.Background(frame)
        data = frame - sky.back()
        found = sep.extract(data, 1.5, err=sky.globalrms)
        radius, _ = sep.flux_radius(data, found["x"], found["y"], 6.0 * found["a"], 0.5, normflux=found["flux"], subpix=5)
        x, y, _ = sep.winpos(data, found["x"], found["y"], 2.0 / 2.35 * radius)
        best = min(best, time.perf_counter() - start)
    print(json.dumps({
        "ms": 1000 * best,
        "x": [round(float(v), 5) for v in x],
        "y": [round(float(v), 5) for v in y],
        "flux": [float(v) for v in found["flux"]],
    }))
