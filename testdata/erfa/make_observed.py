#!/usr/bin/python3
"""Write the reference tables of mountmodel's tests with ERFA (python3-erfa).

Usage, from the top of the repository (Debian: apt install python3-erfa):
    testdata/erfa/make_observed.py

observed.tsv      ICRS to observed place by atco13: random sites, dates,
                  air and directions; polar motion 0, no parallax, no proper
                  motion. Band "main": years 2000 to 2060, observed zenith
                  distance 0 to 85 degrees. Band "edge": years 1972 to 2099, zenith
                  distance to 89.
pole.tsv          observed altitude of the elevated pole by atioq, for which the
                  pole is the direction CIRS declination +-90 degrees.
earth.tsv         barycentric velocity (au/day) and heliocentric place (au) of
                  the Earth by epv00.
leap_seconds.tsv  first day and TAI-UTC of every row of dat since 1972.
"""
import datetime
import math
import warnings

import erfa
import numpy as np

rng = np.random.default_rng(20260307)
DEG = math.pi / 180
# ERFA calls every UTC date "dubious" for which leap seconds are not announced yet.
warnings.filterwarnings("ignore", message=".*dubious year.*")


def write(name, doc, columns, rows):
    with open(f"testdata/erfa/{name}", "w") as f:
        f.write(f"# {doc}; ERFA {erfa.version.erfa_version}, testdata/erfa/make_observed.py\n")
        f.write("\t".join(columns) + "\n")
        for r in rows:
            f.write("\t".join(str(x) for x in r) + "\n")


def instant(first, last):
    """A random UTC instant at a whole millisecond, as text and as ERFA's pair."""
    a = datetime.datetime(first, 1, 1)
    span = int((datetime.datetime(last, 1, 1) - a).total_seconds() * 1000)
    t = a + datetime.timedelta(milliseconds=int(rng.integers(span)))
    utc = erfa.dtf2d(b"UTC", t.year, t.month, t.day, t.hour, t.minute, t.second + t.microsecond / 1e6)
    return t.isoformat(timespec="milliseconds") + "Z", utc


def site(i):
    """Latitude, longitude in degrees, elevation in metres; latitudes with the special ones in."""
    special = [90.0, -90.0, 0.0, 89.9, -89.9, 1e-3]
    lat = special[i // 20] if i % 20 == 0 and i // 20 < len(special) else math.asin(rng.uniform(-1, 1)) / DEG
    return round(lat, 6), round(rng.uniform(-180, 180), 6), round(rng.uniform(-400, 5000), 1)


def air():
    """Pressure in hPa, temperature in C, relative humidity, wavelength in micrometres."""
    return (
        round(rng.uniform(600, 1050), 2),
        round(rng.uniform(-30, 45), 2),
        round(rng.uniform(0, 1), 3),
        round(rng.uniform(0.4, 0.9), 3),
    )


def observed(n, band, years, zd_max):
    for i in range(n):
        lat, lon, elev = site(i)
        hpa, temp, hum, wl = air()
        text, (u1, u2) = instant(*years)
        dut1 = round(rng.uniform(-0.9, 0.9), 4) if i % 2 else 0.0
        # Half the zenith distances are even over the sky, half reach for the rim.
        zd = math.acos(rng.uniform(math.cos(zd_max * DEG), 1)) / DEG if i % 2 else rng.uniform(0, zd_max)
        place = (dut1, lon * DEG, lat * DEG, elev, 0.0, 0.0, hpa, temp, hum, wl)
        ra, dec = erfa.atoc13("A", rng.uniform(0, 360) * DEG, zd * DEG, u1, u2, *place)
        ra, dec = round(ra / DEG, 8), round(dec / DEG, 8)
        az, zd, ha, de, _, _ = erfa.atco13(ra * DEG, dec * DEG, 0, 0, 0, 0, u1, u2, *place)
        yield (band, lat, lon, elev, hpa, temp, hum, wl, text, dut1, f"{ra:.8f}", f"{dec:.8f}",
               f"{90 - zd / DEG:.10f}", f"{az / DEG:.10f}")


def poles():
    u1, u2 = erfa.dtf2d(b"UTC", 2026, 3, 7, 12, 0, 0.0)
    lats = [90, 89.5, 75, 60, 45, 30, 20, 15, 10, 7, 5.5, 5, 3.5, 2, 1, 0.1, 0]
    for lat in lats + [-x for x in lats if x]:
        for _ in range(3):
            hpa, temp, hum, wl = air()
            astrom = erfa.apio13(u1, u2, 0, 0, lat * DEG, 0, 0, 0, hpa, temp, hum, wl)
            # No diurnal aberration: the pole is a direction, no star.
            astrom["diurab"] = 0.0
            _, zd, _, _, _ = erfa.atioq(0, math.copysign(90, lat) * DEG, astrom)
            yield lat, hpa, temp, hum, wl, f"{90 - zd / DEG:.10f}"


def earth():
    for _ in range(400):
        days = round(rng.uniform(-28 * 365.25, 100 * 365.25), 3)
        pvh, pvb = erfa.epv00(2451545.0, days)
        yield (days, *(f"{x:.13f}" for x in pvb["v"]), *(f"{x:.10f}" for x in pvh["p"]))


write("observed.tsv", "ICRS to observed place by atco13",
      "band lat_deg lon_deg elevation_m pressure_hpa temperature_c humidity wavelength_um utc dut1_s ra_deg dec_deg alt_deg az_deg".split(),
      [*observed(900, "main", (2000, 2061), 85), *observed(120, "edge", (1972, 2100), 89)])
write("pole.tsv", "observed altitude of the elevated pole by atioq",
      "lat_deg pressure_hpa temperature_c humidity wavelength_um alt_deg".split(), poles())
write("earth.tsv", "the Earth by epv00",
      "tdb_days_from_j2000 vx_au_day vy_au_day vz_au_day x_au y_au z_au".split(), earth())
leap = [r for r in erfa.leap_seconds.get() if r["year"] >= 1972]
write("leap_seconds.tsv", "TAI-UTC by dat", "year month tai_utc_s".split(),
      [(r["year"], r["month"], int(r["tai_utc"])) for r in leap])
