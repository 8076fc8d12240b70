#!/usr/bin/python3
"""Write mountmodel/setup/wmm2025.cof and testdata/setup/magnetic.tsv.

The World Magnetic Model 2025 (NOAA/NCEI and British Geological Survey, public
domain) comes to us in two npm packages that share no code:

    npm pack geomagnetism@0.2.0 magvar@2.2.0     # unpack each in a folder

Usage, from the top of the repository:
    testdata/setup/make_magnetic.py GEOMAGNETISM/package MAGVAR/package

The script stops unless the two agree in every coefficient. The published test
values (the agency's file of 100 rows, all for a time within the years of the
model) stand in geomagnetism's test/values.csv.
"""
import csv
import json
import re
import sys

geomagnetism, magvar = sys.argv[1:3]

with open(f"{geomagnetism}/data/wmm-2025.json") as f:
    model = json.load(f)
assert model["epoch"] == 2025 and model["n_max"] == 12 and model["name"] == "WMM-2025"

with open(f"{magvar}/src/WMMCOF2025.js") as f:
    text = f.read()
other = {}
for name in ("gnmWmm", "hnmWmm", "gtnmWmm", "htnmWmm"):
    body = re.search(rf"const {name} = \[(.*?)\n\];", text, re.S).group(1)
    other[name] = [[float(x) for x in row.split(",")] for row in re.findall(r"\[([^\[\]]*)\]", body)]

lines = ["    2025.0            WMM-2025     11/13/2024"]
i = 0
for n in range(13):
    for m in range(n + 1):
        row = []
        for mine, theirs in (
            ("main_field_coeff_g", "gnmWmm"),
            ("main_field_coeff_h", "hnmWmm"),
            ("secular_var_coeff_g", "gtnmWmm"),
            ("secular_var_coeff_h", "htnmWmm"),
        ):
            value = float(model[mine][i])
            if value != other[theirs][n][m]:
                sys.exit(f"{mine} n={n} m={m}: {value} in one package, {other[theirs][n][m]} in the other")
            row.append(value + 0.0)  # no negative zero
        if n > 0:
            lines.append("%3d%3d%10.1f%10.1f%11.1f%11.1f" % (n, m, *row))
        i += 1
lines += ["9" * 48, "9" * 48]
with open("mountmodel/setup/wmm2025.cof", "w") as f:
    f.write("\n".join(lines) + "\n")

with open(f"{geomagnetism}/test/values.csv") as f, open("testdata/setup/magnetic.tsv", "w") as out:
    out.write("# published test values of the World Magnetic Model 2025; heights above the ellipsoid; testdata/setup/make_magnetic.py\n")
    out.write("year\theight_km\tlat_deg\tlon_deg\tx_nt\ty_nt\tz_nt\th_nt\tf_nt\tincl_deg\tdecl_deg\n")
    rows = 0
    for r in csv.DictReader(f):
        if float(r["date"]) < 2025:
            continue
        rows += 1
        out.write("\t".join(r[k] for k in ("date", "alt", "lat", "lon", "x", "y", "z", "h", "f", "incl", "decl")) + "\n")
    assert rows == 100, rows
