#!/usr/bin/python3
"""Write testdata/setup/magnetic_exact.tsv: the World Magnetic Model by its definition.

The field is minus the gradient of the potential. Here the gradient is taken as
a difference quotient of the potential with 50 digits (mpmath), from the
coefficients in mountmodel/setup/wmm2025.cof; nothing of the usual recursions,
derivatives or rotations is used.

Usage, from the top of the repository (Debian: apt install python3-mpmath):
    testdata/setup/make_magnetic_exact.py
"""
import random

import mpmath as mp

mp.mp.dps = 50
STEP_KM = mp.mpf("1e-15")  # leaves 1e-30 of the third derivative, and 35 digits

coefficients = {}
with open("mountmodel/setup/wmm2025.cof") as f:
    for line in f.readlines()[1:]:
        if line.startswith("9999"):
            break
        n, m, *v = line.split()
        coefficients[int(n), int(m)] = tuple(map(mp.mpf, v))


def legendre(n, m, x):
    """Schmidt semi-normalised, as an explicit sum."""
    s = mp.mpf(0)
    for k in range((n - m) // 2 + 1):
        s += (-1) ** k * mp.factorial(2 * n - 2 * k) / (mp.factorial(k) * mp.factorial(n - k) * mp.factorial(n - 2 * k - m)) * x ** (n - 2 * k - m)
    s *= (1 - x * x) ** (mp.mpf(m) / 2) / mp.mpf(2) ** n
    return s * (mp.sqrt(2 * mp.factorial(n - m) / mp.factorial(n + m)) if m else 1)


def potential(x, y, z, years):
    r, a = mp.sqrt(x * x + y * y + z * z), mp.mpf("6371.2")
    lon = mp.atan2(y, x)
    return a * sum(
        (a / r) ** (n + 1) * ((g + years * gd) * mp.cos(m * lon) + (h + years * hd) * mp.sin(m * lon)) * legendre(n, m, z / r)
        for (n, m), (g, h, gd, hd) in coefficients.items()
    )


def field(lat, lon, height, year):
    la, lo = mp.radians(lat), mp.radians(lon)
    a, f = mp.mpf("6378.137"), 1 / mp.mpf("298.257223563")
    e2 = f * (2 - f)
    n = a / mp.sqrt(1 - e2 * mp.sin(la) ** 2)
    place = [(n + height) * mp.cos(la) * mp.cos(lo), (n + height) * mp.cos(la) * mp.sin(lo), (n * (1 - e2) + height) * mp.sin(la)]
    north = [-mp.sin(la) * mp.cos(lo), -mp.sin(la) * mp.sin(lo), mp.cos(la)]
    east = [-mp.sin(lo), mp.cos(lo), mp.mpf(0)]
    down = [-mp.cos(la) * mp.cos(lo), -mp.cos(la) * mp.sin(lo), -mp.sin(la)]
    out = []
    for u in (north, east, down):
        there = [p + STEP_KM * d for p, d in zip(place, u)]
        back = [p - STEP_KM * d for p, d in zip(place, u)]
        out.append(-(potential(*there, years=year - 2025) - potential(*back, years=year - 2025)) / (2 * STEP_KM))
    return out


rng = random.Random(20260319)
with open("testdata/setup/magnetic_exact.tsv", "w") as out:
    out.write(f"# gradient of the potential of the World Magnetic Model 2025 with 50 digits; mpmath {mp.__version__}, testdata/setup/make_magnetic_exact.py\n")
    out.write("year\theight_km\tlat_deg\tlon_deg\tx_nt\ty_nt\tz_nt\n")
    places = [(89.875, -121.5), (-89.75, 10.25), (0.0, 0.0), (-64.25, 136.0)]
    places += [(rng.randrange(-1360, 1361) / 16, rng.randrange(-2880, 2881) / 16) for _ in range(36)]
    for lat, lon in places:
        year, height = 2025 + rng.randrange(0, 80) / 16, rng.randrange(0, 65) / 16
        values = field(mp.mpf(lat), mp.mpf(lon), mp.mpf(height), mp.mpf(year))
        out.write("\t".join([str(year), str(height), str(lat), str(lon)] + [mp.nstr(v, 16, strip_zeros=False) for v in values]) + "\n")
