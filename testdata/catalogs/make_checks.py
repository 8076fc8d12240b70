#!/usr/bin/python3
"""Makes the check tables of the star catalogue from the published Tycho-2 files.

    /usr/bin/python3 testdata/catalogs/make_checks.py FOLDER testdata/catalogs

FOLDER holds tyc2.dat.00 to tyc2.dat.19 and suppl_1.dat (see
catalogs/PROVENANCE.md). This program shares nothing with catalogs/compile: it
reads fields by the bars between them where the compiler reads columns, and it
carries places to J2000.0 with ERFA. It needs python3-erfa (2.0.0 was used).

It writes
  rows.tsv    sampled rows, as published, with the place, motion and V that the
              catalogue should give
  counts.tsv  number of stars per magnitude of V, of all and of those without
              proper motion
  motion.tsv  places of moving stars at other epochs (ERFA pmsafe)
"""

import math
import random
import sys

import erfa

DEG = math.pi / 180
MAS = DEG / 3.6e6
J2000 = 2451545.0
J1991_25 = J2000 - 8.75 * 365.25

# Stand-ins where a magnitude is missing; catalogs/PROVENANCE.md gives them.
COLOUR = 721  # BT-VT, thousandths
HP_MINUS_V = 125  # thousandths


def move(ra, dec, pmra, pmdec, epoch1, epoch2):
    """Barycentric place (degrees) and motion (mas/yr) at another epoch, no radial velocity.

    The parallax is taken as 100 arcseconds: it has no part in a barycentric
    place, and so near a star moves slowly, and the light-time that ERFA puts in
    stays small. (With none, ERFA takes the star so far off that it moves at
    0.01 c, and that shows.)
    """
    cosd = math.cos(dec * DEG)
    r, d, pr, pd, _, _ = erfa.pmsafe(
        ra * DEG, dec * DEG, pmra * MAS / cosd, pmdec * MAS, 100.0, 0.0, epoch1, 0.0, epoch2, 0.0
    )
    return r / DEG % 360, d / DEG, pr / MAS * math.cos(d), pd / MAS


def thousandths(text):
    """Three decimals as an integer, None for a blank."""
    return round(float(text) * 1000) if text.strip() else None


def johnson(bt, vt, hp):
    """V in units of 1e-6 magnitude."""
    if hp:
        return 1000 * (vt - HP_MINUS_V)
    if vt is None:
        return 1000 * (bt - COLOUR) - 90 * COLOUR
    if bt is None:
        return 1000 * vt - 90 * COLOUR
    return 1000 * vt - 90 * (bt - vt)


class Row:
    __slots__ = ("file", "line", "text", "kind", "ra", "dec", "pm", "v", "missing")

    def __init__(self, file, line, text):
        self.file, self.line, self.text = file, line, text
        f = text.split("|")
        if file.startswith("tyc2"):
            self.kind = f[1].strip() or "-"
            blank = self.kind == "X"
            # fields of the ReadMe: 0 TYC, 1 pflag, 2 RAmdeg, 3 DEmdeg, 4 pmRA,
            # 5 pmDE, 17 BTmag, 19 VTmag, 24 RAdeg, 25 DEdeg
            self.ra, self.dec = (float(f[24]), float(f[25])) if blank else (float(f[2]), float(f[3]))
            self.pm = None if blank else (float(f[4]), float(f[5]))
            bt, vt, hp = f[17], f[19], False
        else:
            # 0 TYC, 1 flag, 2 RAdeg, 3 DEdeg, 4 pmRA, 5 pmDE, 10 mflag, 11 BTmag, 13 VTmag
            self.kind = f[1]
            self.ra, self.dec = float(f[2]), float(f[3])
            self.pm = (float(f[4]), float(f[5])) if f[4].strip() else None
            bt, vt, hp = f[11], f[13], f[10] == "H"
        self.missing = "Hp" if hp else "VT" if not vt.strip() else "BT" if not bt.strip() else "-"
        self.v = johnson(thousandths(bt), thousandths(vt), hp)

    def at2000(self):
        if self.kind == "H":
            return move(self.ra, self.dec, *self.pm, J1991_25, J2000)
        return (self.ra, self.dec) + (self.pm or (None, None))

    def speed(self):
        return math.hypot(*self.pm) if self.pm else 0.0

    def vector(self):
        a, d = self.ra * DEG, self.dec * DEG
        return math.cos(d) * math.cos(a), math.cos(d) * math.sin(a), math.sin(d)


def rows(folder):
    for name in ["tyc2.dat.%02d" % i for i in range(20)] + ["suppl_1.dat"]:
        with open(f"{folder}/{name}", encoding="ascii") as f:
            for line, text in enumerate(f, 1):
                yield Row(name, line, text.rstrip("\n"))


class Best:
    """The n rows with the smallest keys, ties by order of reading."""

    def __init__(self, n, key):
        self.n, self.key, self.list, self.count = n, key, [], 0

    def offer(self, row):
        self.count += 1
        key = self.key(row)
        if len(self.list) < self.n or key < self.list[-1][0]:
            self.list.append((key, self.count, row))
            self.list.sort(key=lambda e: e[:2])
            del self.list[self.n:]


def edge_distance(row):
    """Zero on an edge of the cube: the two largest components are equal."""
    x = sorted(abs(c) for c in row.vector())
    return x[2] - x[1]


def corner_distance(row):
    x = sorted(abs(c) for c in row.vector())
    return x[2] - x[0]


def main(folder, out):
    best = {
        "bright": Best(40, lambda r: r.v),
        "faint": Best(20, lambda r: -r.v),
        "fast": Best(40, lambda r: -r.speed()),
        "north pole": Best(8, lambda r: -r.dec),
        "south pole": Best(8, lambda r: r.dec),
        "right ascension 0": Best(8, lambda r: min(r.ra, 360 - r.ra)),
        "cube edge": Best(12, edge_distance),
        "cube corner": Best(12, corner_distance),
    }
    # A sample of each kind; the random numbers are seeded, so that the same
    # files give the same tables.
    rng = random.Random(2000)
    sample = {}
    size = {"-": 250, "P": 40, "X": 40, "H": 40, "T": 40, "no BT": 20, "no VT": 20, "Hp": 20}
    seen = {}
    counts = {}
    for r in rows(folder):
        n, none = counts.get(r.v // 1000000, (0, 0))
        counts[r.v // 1000000] = (n + 1, none + (r.pm is None))
        for b in best.values():
            b.offer(r)
        for group in (r.kind, {"BT": "no BT", "VT": "no VT", "Hp": "Hp"}.get(r.missing)):
            if group is None:
                continue
            # Reservoir sampling.
            seen[group] = seen.get(group, 0) + 1
            kept = sample.setdefault(group, [])
            if len(kept) < size[group]:
                kept.append(r)
            else:
                k = rng.randrange(seen[group])
                if k < size[group]:
                    kept[k] = r

    chosen = {}
    for group, list_ in sample.items():
        for r in list_:
            chosen.setdefault((r.file, r.line), (r, []))[1].append(group)
    for group, b in best.items():
        for _, _, r in b.list:
            chosen.setdefault((r.file, r.line), (r, []))[1].append(group)

    with open(f"{out}/rows.tsv", "w", encoding="ascii", newline="\n") as f:
        f.write("file\tline\ttyc\tkind\tchosen\tmissing\tra_deg\tdec_deg\tpmra_mas\tpmdec_mas\tv_mag\n")
        for key in sorted(chosen):
            r, why = chosen[key]
            ra, dec, pr, pd = r.at2000()
            motion = "\t" if pr is None else f"{pr:.2f}\t{pd:.2f}"
            tyc = "-".join(r.text.split("|")[0].split())
            f.write(
                f"{r.file}\t{r.line}\t{tyc}\t{r.kind}\t{', '.join(why)}\t{r.missing}\t"
                f"{ra:.8f}\t{dec:.8f}\t{motion}\t{r.v / 1e6:.6f}\n"
            )

    with open(f"{out}/counts.tsv", "w", encoding="ascii", newline="\n") as f:
        f.write("v_from\tstars\twithout_pm\n")
        for v in sorted(counts):
            f.write(f"{v}\t{counts[v][0]}\t{counts[v][1]}\n")

    with open(f"{out}/motion.tsv", "w", encoding="ascii", newline="\n") as f:
        f.write("ra_deg\tdec_deg\tpmra_mas\tpmdec_mas\tjulian_year\tra_then_deg\tdec_then_deg\n")
        stars = [
            (269.45207389, 4.69327996, -798.8, 10277.3),  # Barnard's star, tyc2.dat
            (77.91919945, -45.01851748, 6544.2, -5774.3),  # Kapteyn's star, tyc2.dat
        ]
        for _ in range(30):
            stars.append((
                round(rng.uniform(0, 360), 8),
                round(math.degrees(math.asin(rng.uniform(-1, 1))), 8),
                round(rng.gauss(0, 300), 1),
                round(rng.gauss(0, 300), 1),
            ))
        stars += [(100.0, 89.999, 200.0, -100.0), (310.0, -89.9999, 500.0, 3000.0), (0.0, 0.0, -7000.0, 0.0)]
        for ra, dec, pr, pd in stars:
            for year in (1950.0, 2025.5, 2050.0, 2100.0):
                r, d, _, _ = move(ra, dec, pr, pd, J2000, J2000 + (year - 2000) * 365.25)
                f.write(f"{ra:.8f}\t{dec:.8f}\t{pr:.1f}\t{pd:.1f}\t{year:.1f}\t{r:.10f}\t{d:.10f}\n")


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    main(sys.argv[1], sys.argv[2])
