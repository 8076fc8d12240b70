#!/usr/bin/env python3
"""Times of astroalign (Beroiz, Cabral and Sanchez 2020, Astronomy and Computing 32,
100384), for comparison with the project's own match.

Reads from standard input one JSON object a line: "image", the star places of an
image, brightest first, and "catalogue", the places in the same tangent plane and
unit of the catalogue stars of the right part of the sky, brightest first. Prints for each one
JSON object on one line: the least time of five runs in milliseconds, and whether the
transform carries the image's centre to the origin of the catalogue's plane within "within".
"""

import json
import sys
import time

import astroalign
import numpy as np

for line in sys.stdin:
    case = json.loads(line)
    image, catalogue = np.array(case["image"]), np.array(case["catalogue"])
    best, right = float("inf"), False
    for _ in range(5):
        start = time.perf_counter()
        try:
            transform, _ = astroalign.find_transform(image, catalogue)
        except Exception:  # astroalign's own and those of the libraries below it
            transform = None
        best = min(best, time.perf_counter() - start)
        if transform is not None:
            at = transform(np.array([case["centre"]]))[0]
            right = bool(np.hypot(*at) < case["within"])
    print(json.dumps({"ms": 1000 * best, "right": right}))
