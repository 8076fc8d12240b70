#!/usr/bin/python3
"""Write testdata/setup/polestar.tsv and sun.tsv with ERFA (python3-erfa).

Usage, from the top of the repository (Debian: apt install python3-erfa):
    testdata/setup/make_polestar.py

polestar.tsv  Polaris from its published Hipparcos place and motion of J1991.25, and
              the star named sigma Octantis below from Tycho-2, taken to the date by
              pmsafe; atco13 without air for hour angle and declination, with air
              for the seen azimuth and zenith distance; the refracted pole by
              atioq; distance and position angle on
              the sphere by seps and pas.
sun.tsv       azimuth and zenith distance of the Sun by apco13, ab and atioq.
Polar motion and UT1-UTC are 0, no parallax.
"""
import datetime
import math
import random
import warnings

import erfa
import numpy as np

warnings.filterwarnings("ignore", message=".*dubious year.*")
DEG, AS = math.pi / 180, math.pi / 180 / 3600
rng = random.Random(20260320)

# name, south, epoch, ra deg, dec deg, pm ra*cos(dec) mas/yr, pm dec
STARS = {
    # Hipparcos Catalogue, ESA SP-1200 (1997), HIP 11767
    "polaris": (0, 1991.25, 37.94614689, 89.26413805, 44.22, -11.74),
    # Tycho-2 (CDS I/259), as bundled
    "sigma": (1, 2000.0, 317.19560416, -88.95650082, 27.0, 5.0),
}


def refracted_pole(jd, lat, air):
    astrom = erfa.apio13(*jd, 0.0, 0.0, lat, 0.0, 0.0, 0.0, *air)
    astrom["diurab"] = 0.0  # the pole is a direction, no star
    return float(erfa.atioq(0.0, math.copysign(math.pi / 2, lat), astrom)[1])


def at_date(star, jd):
    south, epoch, ra, dec, pmra, pmdec = STARS[star]
    e1, e2 = erfa.epj2jd(epoch)
    # pmsafe is starpm for stars without a known parallax; it wants d(ra)/dt.
    r, d, *_ = erfa.pmsafe(ra * DEG, dec * DEG, pmra / 1000 * AS / math.cos(dec * DEG), pmdec / 1000 * AS, 0.0, 0.0, e1, e2, *jd)
    return float(r), float(d)


def instant():
    day = datetime.datetime(2024, 1, 1) + datetime.timedelta(seconds=rng.randrange(0, 12 * 365 * 86400))
    jd = erfa.dtf2d("UTC", day.year, day.month, day.day, day.hour, day.minute, float(day.second))
    return day.strftime("%Y-%m-%dT%H:%M:%SZ"), jd


def site(low, high):
    return rng.randrange(low * 100, high * 100 + 1) / 100, rng.randrange(-18000, 18001) / 100, float(rng.randrange(0, 3000))


def air(height):
    return round(1013.25 * (1 - 2.25577e-5 * height) ** 5.25588, 1), float(rng.randrange(-15, 30)), 0.3, 0.55


def f(x, n=9):
    return f"{float(x):.{n}f}"


with open("testdata/setup/polestar.tsv", "w") as out:
    out.write(f"# pole stars by pmsafe, atco13, atioq, seps, pas; ERFA {erfa.version.erfa_version}, testdata/setup/make_polestar.py\n")
    out.write("south\tunix\tlat_deg\tlon_deg\televation_m\tpressure_hpa\ttemperature_c\thour_angle_deg\tpolar_distance_deg\tseen_az_deg\tseen_alt_deg\t"
              "refracted_distance_deg\trefracted_pa_deg\ttrue_distance_deg\ttrue_pa_deg\n")
    for star in STARS:
        south = STARS[star][0]
        for _ in range(40):
            lat, lon, height = site(12, 85)
            lat = -lat if south else lat
            text, jd = instant()
            p = air(height)
            ra, dec = at_date(star, jd)
            common = (ra, dec, 0.0, 0.0, 0.0, 0.0, *jd, 0.0, lon * DEG, lat * DEG, height, 0.0, 0.0)
            _, _, hob0, dob0, _, _ = erfa.atco13(*common, 0.0, 0.0, 0.0, 0.55)
            aob, zob, _, _, _, _ = erfa.atco13(*common, *p)
            az = 180 * DEG if south else 0.0
            alt_star = math.pi / 2 - zob
            row = []
            for z in (refracted_pole(jd, lat * DEG, p), math.pi / 2 - abs(lat) * DEG):
                alt = math.pi / 2 - z
                # pas measures from the zenith through growing "longitude"; azimuth grows
                # from north through east, which is eastwards below the pole's zenith.
                dist = erfa.seps(az, alt, aob, alt_star)
                pa = erfa.pas(az, alt, aob, alt_star)
                if south:  # facing south, growing azimuth runs to the west
                    pa = -pa
                row += [f(dist / DEG), f(erfa.anp(pa) / DEG, 6)]
            stamp = int(datetime.datetime.strptime(text, "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=datetime.timezone.utc).timestamp())
            polar = math.pi / 2 - abs(float(dob0))
            out.write("\t".join([str(south), str(stamp), str(lat), str(lon), str(height), str(p[0]), str(p[1]),
                                 f(erfa.anp(hob0) / DEG, 6), f(polar / DEG), f(aob / DEG), f(alt_star / DEG), *row]) + "\n")

with open("testdata/setup/sun.tsv", "w") as out:
    out.write(f"# the Sun by apco13, ab, atioq; ERFA {erfa.version.erfa_version}, testdata/setup/make_polestar.py\n")
    out.write("unix\tlat_deg\tlon_deg\televation_m\tpressure_hpa\ttemperature_c\taz_deg\talt_deg\n")
    count = 0
    while count < 60:
        lat, lon, height = site(-75, 75)
        text, jd = instant()
        p = air(height)
        astrom, _ = erfa.apco13(*jd, 0.0, lon * DEG, lat * DEG, height, 0.0, 0.0, *p)
        toward = -np.array(astrom["eh"])  # observer to Sun, at the Sun's light's leaving to 5 ms of the Earth's orbit
        seen = erfa.ab(toward, astrom["v"], astrom["em"], astrom["bm1"])
        ri, di = erfa.c2s(erfa.rxp(astrom["bpn"], seen))
        aob, zob, _, _, _ = erfa.atioq(erfa.anp(ri), di, astrom)
        alt = 90 - float(zob) / DEG
        if alt < 5:
            continue
        count += 1
        stamp = int(datetime.datetime.strptime(text, "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=datetime.timezone.utc).timestamp())
        out.write("\t".join([str(stamp), str(lat), str(lon), str(height), str(p[0]), str(p[1]), f(aob / DEG, 6), f(alt, 6)]) + "\n")
