#!/usr/bin/env python3
"""Reads the samples of this folder with astropy and writes what it found, for the tests of catalogs/extract.

    /usr/bin/python3 testdata/catalogs/extract/make_reference.py testdata/catalogs/extract

First it makes, from gaia_source.ecsv, the same stars as gzipped CSV, FITS and VOTable. Needs astropy.
"""
import gzip
import sys
import warnings
from pathlib import Path

import numpy as np
from astropy.table import Table

warnings.simplefilter("ignore")
here = Path(sys.argv[1])
quantities = ["ra", "dec", "pmra", "pmdec", "parallax", "phot_g_mean_mag", "phot_bp_mean_mag", "phot_rp_mean_mag", "ref_epoch"]

source = Table.read(here / "gaia_source.ecsv", format="ascii.ecsv")
some = source[["source_id"] + quantities]
with gzip.GzipFile(here / "made.csv.gz", "wb", mtime=0) as f:
    lines = [",".join(some.colnames)]
    for row in some:
        lines.append(",".join("" if np.ma.is_masked(v) else repr(v.item()) for v in row))
    f.write(("\n".join(lines) + "\n").encode())
some.meta.clear()
some.write(here / "made.fits", format="fits", overwrite=True)
for kind in ["tabledata", "binary", "binary2"]:
    some.write(here / f"made_{kind}.vot", format="votable", table_id="t", tabledata_format=kind, overwrite=True)

def read(path):
    if path.name.endswith(".csv") or path.name.endswith(".csv.gz"):
        return Table.read(path, format="ascii.csv", fill_values=[("null", "0"), ("", "0"), ("nan", "0")])
    if path.suffix == ".ecsv":
        return Table.read(path, format="ascii.ecsv")
    if path.suffix == ".fits":
        return Table.read(path, format="fits", hdu=1)
    return Table.read(path, format="votable")

with open(here / "reference.tsv", "w") as out:
    print("file", "row", *quantities, sep="\t", file=out)
    for path in sorted(here.iterdir()):
        if path.suffix in (".py", ".tsv"):
            continue
        table = read(path)
        for i, row in enumerate(table):
            values = []
            for q in quantities:
                v = row[q] if q in table.colnames else np.ma.masked
                values.append("" if np.ma.is_masked(v) or not np.isfinite(v) else repr(float(v)))
            print(path.name, i, *values, sep="\t", file=out)
