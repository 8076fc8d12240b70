#!/usr/bin/python3
"""Write the Go tables mountmodel/observed/earth_series.go and mountmodel/observed/nutation_series.go.

Input: the folder src/ of the ERFA 2.0.0 source (Debian source package erfa
2.0.0-1, erfa_2.0.0.orig.tar.gz, sha256
e40f5175604c50c46fded7f9f76565dd5879a7f4ee27fa4484c2af217b7dfeb4).

Usage, from the top of the repository:
    testdata/erfa/make_series.py ERFA/src

Earth: of eraEpv00 (VSOP2000, simplified) every term is kept whose part in the
velocity exceeds KEEP_AU_YR, or whose part in the place from the Sun exceeds
KEEP_AU. Nutation: all 77 terms of eraNut00b, as they are.
"""
import re
import subprocess
import sys

KEEP_AU_YR = 1e-5  # 1.6e-10 of the speed of light: 3e-5 arcsec of aberration
KEEP_AU = 3e-6  # 0.6 arcsec in the direction of the Sun
SPAN_YR = 60.0  # years from 2000 at which the terms in T and T^2 are weighed

src = sys.argv[1]


def notice():
    text = open(f"{src}/epv00.c").read()
    tail = text[text.rindex("/*----") :]
    lines = [l.removeprefix("**").strip() for l in tail.splitlines()[1:] if l != "*/"]
    out = ["// The numbers below are taken from ERFA, whose notice follows.", "//"]
    blank = True
    for l in lines:
        if l == "" and blank:
            continue
        blank = l == ""
        out.append(("// " + l).rstrip())
    while out[-1] == "//":
        out.pop()
    return "\n".join(out) + "\n\n"


def arrays():
    text = open(f"{src}/epv00.c").read()
    for m in re.finditer(r"static const double ([es][012][xyz])\[\] = \{(.*?)\};", text, re.S):
        n = [float(x) for x in re.findall(r"[-+0-9.]+e[-+]\d+", m[2])]
        yield m[1], [tuple(n[i : i + 3]) for i in range(0, len(n), 3)]


def matters(name, power, a, c):
    """Whether the term a T^power cos(b + c T) is large enough to keep."""
    place = abs(a) * SPAN_YR**power
    velocity = place * (abs(c) + power / SPAN_YR)
    return velocity >= KEEP_AU_YR or (name == "e" and place >= KEEP_AU)


def earth():
    series = dict(arrays())
    out = [notice(), "package observed\n\n"]
    out.append("// Made by testdata/erfa/make_series.py from ERFA 2.0.0; not to be edited by hand.\n\n")
    kept = total = 0
    for name, var, doc in (
        ("e", "sunToEarth", "the Sun to the Earth"),
        ("s", "barycentreToSun", "the solar-system barycentre to the Sun"),
    ):
        out.append(f"// {var} is the way from {doc} by component (x, y, z\n")
        out.append("// of the ecliptic of J2000.0) and power of time: {amplitude in au, phase in\n")
        out.append("// radians, frequency in radians per Julian year}.\n")
        out.append(f"var {var} = [3][3][]harmonic{{\n")
        for xyz in "xyz":
            out.append("\t{\n")
            for power in range(3):
                terms = series[f"{name}{power}{xyz}"]
                total += len(terms)
                terms = [t for t in terms if matters(name, power, t[0], t[2])]
                kept += len(terms)
                out.append("\t\t{\n" if terms else "\t\t{},\n")
                for a, b, c in terms:
                    out.append(f"\t\t\t{{{a!r}, {b!r}, {c!r}}},\n")
                if terms:
                    out.append("\t\t},\n")
            out.append("\t},\n")
        out.append("}\n\n")
    open("mountmodel/observed/earth_series.go", "w").write("".join(out).rstrip("\n") + "\n")
    print(f"earth: {kept} of {total} terms kept")


def nutation():
    text = open(f"{src}/nut00b.c").read()
    body = re.search(r"\} x\[\] = \{(.*?)\n   \};", text, re.S)[1]
    body = re.sub(r"/\*.*?\*/", "", body)
    rows = [
        [float(x) for x in re.findall(r"-?\d+(?:\.\d+)?", row)]
        for row in re.findall(r"\{([^{}]*)\}", body)
    ]
    assert len(rows) == 77 and all(len(r) == 11 for r in rows)
    out = [notice(), "package observed\n\n"]
    out.append("// Made by testdata/erfa/make_series.py from ERFA 2.0.0; not to be edited by hand.\n\n")
    out.append("// nutationSeries is the luni-solar series of IAU 2000B (McCarthy and Luzum 2003,\n")
    out.append("// Cel. Mech. Dyn. Astron. 85, 37; eraNut00b). Unit of the amplitudes: 0.1\n")
    out.append("// microarcsecond, and the same per Julian century.\n")
    out.append("var nutationSeries = [77]nutationTerm{\n")
    for r in rows:
        m = ", ".join(f"{int(x)}" for x in r[:5])
        a = ", ".join(f"{x:.0f}" for x in r[5:])
        out.append(f"\t{{[5]float64{{{m}}}, {a}}},\n")
    out.append("}\n")
    open("mountmodel/observed/nutation_series.go", "w").write("".join(out))
    print(f"nutation: {len(rows)} terms")


earth()
nutation()
subprocess.run(["gofmt", "-w", "mountmodel/observed/earth_series.go", "mountmodel/observed/nutation_series.go"], check=True)
