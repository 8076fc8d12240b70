#!/usr/bin/env python3
"""Writes the files and tables that package fits is tested against.

Files are laid out by hand from the FITS Standard 4.0; the values in the tables
are what astropy (python3-astropy) and the wcslib and ERFA inside it read from
them. Run without arguments in this folder; it gives the same bytes every time.
"""

import gzip
import io
import warnings

import erfa
import numpy as np
from astropy.io import fits
from astropy.time import Time
from astropy.wcs import WCS

warnings.simplefilter("ignore")
rng = np.random.default_rng(20260307)
BLOCK = 2880
TYPES = {8: ">u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}


def card(key, value):
    return fits.Card(key, value).image.ljust(80)


def unit(first, bitpix, axes, cards, raw):
    """A header-data unit: first card, layout, further cards, raw bytes."""
    head = [first, card("BITPIX", bitpix), card("NAXIS", len(axes))]
    head += [card(f"NAXIS{i + 1}", n) for i, n in enumerate(axes)]
    if first.startswith("XTENSION"):
        head += [card("PCOUNT", 0), card("GCOUNT", 1)]
    head += [card(k, v) for k, v in cards]
    text = ("".join(head) + "END".ljust(80)).encode("ascii")
    text += b" " * (-len(text) % BLOCK)
    return text + raw + b"\0" * (-len(raw) % BLOCK)


SIMPLE = card("SIMPLE", True)
IMAGE = card("XTENSION", "IMAGE")


def stored(bitpix, n):
    kind = np.dtype(TYPES[bitpix])
    if bitpix > 0:
        info = np.iinfo(kind)
        special = [info.min, info.min + 1, info.max - 1, info.max, 0, 1]
        values = rng.integers(info.min, info.max, n, dtype=kind.newbyteorder("="), endpoint=True)
        values[: len(special)] = special
    else:
        special = [0.0, -0.0, 1.5, -1e30, 1e30, np.nan, 65535.0]
        values = rng.normal(1000, 300, n)
        values[: len(special)] = special
    return values.astype(kind)


def pixels():
    """Every BITPIX with every kind of scaling (section 4.4.2.5)."""
    unsigned = {8: -128, 16: 32768, 32: 2147483648, 64: 9223372036854775808, -32: 32768, -64: 32768}
    w, h = 7, 5
    rows = []
    for bitpix in TYPES:
        ways = {
            "plain": [],
            "offset": [("BZERO", unsigned[bitpix])],
            "half": [("BSCALE", 0.5), ("BZERO", 100.25)],
            "negative": [("BSCALE", -1.0), ("BZERO", 1000.0)],
        }
        if bitpix > 0:
            ways["blank"] = [("BLANK", 1), ("BZERO", 10.0)]
        for way, cards in ways.items():
            name = f"bitpix_{bitpix}_{way}.fits".replace("_-", "_f")
            data = unit(SIMPLE, bitpix, [w, h], cards, stored(bitpix, w * h).tobytes())
            with open(name, "wb") as f:
                f.write(data)
            # astropy scales small integers in float32; the truth is wider.
            with fits.open(io.BytesIO(data), do_not_scale_image_data=True) as f:
                raw = f[0].data
            with fits.open(io.BytesIO(data)) as f:
                values = np.asarray(f[0].data, dtype=np.float64).ravel()
            scale, zero = dict(cards).get("BSCALE", 1.0), dict(cards).get("BZERO", 0)
            size = np.abs(np.asarray(raw, dtype=np.float64).ravel() * scale) + abs(float(zero))
            for i, v in enumerate(values):
                rows.append(f"{name}\t{w}\t{h}\t{i}\t{v!r}\t{size[i]!r}".replace("np.float64(", "").replace(")", ""))
    with open("pixels.tsv", "w") as f:
        f.write("file\twidth\theight\tindex\tvalue\tsize_of_terms\n" + "\n".join(rows) + "\n")


def structures():
    """Images elsewhere than in the primary array, and what is no image."""
    w, h = 9, 6
    values = rng.integers(-3000, 3000, (3, h, w)).astype(">i2")
    planes = unit(SIMPLE, 16, [w, h, 3], [], values.tobytes())
    side_by_side = unit(SIMPLE, 16, [3, w, h], [], np.moveaxis(values, 0, -1).tobytes())
    one = unit(SIMPLE, 16, [w, h, 1, 1], [], values[0].tobytes())
    primary = unit(SIMPLE, 16, [], [("DATE-OBS", "2026-03-07T10:00:00"), ("EXPTIME", 2.0), ("BZERO", 32768)], b"")
    extension = primary + unit(IMAGE, 16, [w, h], [("EXPTIME", 4.0)], values[1].tobytes())
    table = fits.BinTableHDU.from_columns([fits.Column("A", "J", array=np.arange(5))])
    behind = io.BytesIO()
    fits.HDUList([fits.PrimaryHDU(), table, fits.ImageHDU(values[2])]).writeto(behind)
    only_table = io.BytesIO()
    fits.HDUList([fits.PrimaryHDU(), table]).writeto(only_table)
    tiles = io.BytesIO()
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(values[0].astype("i2"), compression_type="RICE_1")]).writeto(tiles)
    packed = io.BytesIO()
    with gzip.GzipFile(fileobj=packed, mode="wb", mtime=0) as f:
        f.write(one)
    mean = np.asarray(values, dtype=np.float64).mean(axis=0)
    rows = []
    for name, data, expected in [
        ("colour_planes.fits", planes, mean),
        ("colour_interleaved.fits", side_by_side, mean),
        ("axes_of_one.fits", one, values[0]),
        ("extension.fits", extension, values[1]),
        ("behind_table.fits", behind.getvalue(), values[2]),
        ("packed.fits.gz", packed.getvalue(), values[0]),
        ("only_table.fits", only_table.getvalue(), None),
        ("tiles.fits", tiles.getvalue(), values[0]),
    ]:
        with open(name, "wb") as f:
            f.write(data)
        if expected is not None:
            source = gzip.decompress(data) if name.endswith(".gz") else data
            with fits.open(io.BytesIO(source)) as f:  # astropy sees the same numbers
                seen = next(u.data for u in f if u.is_image and u.data is not None)
                if name == "colour_planes.fits":
                    seen = np.asarray(seen, dtype=np.float64).mean(axis=0)
                elif name == "colour_interleaved.fits":
                    seen = np.asarray(seen, dtype=np.float64).mean(axis=-1)
                assert np.array_equal(np.squeeze(seen), expected), name
            for i, v in enumerate(np.asarray(expected, dtype=np.float64).ravel()):
                rows.append(f"{name}\t{w}\t{h}\t{i}\t{float(v)!r}\t{3000.0!r}")
    with open("structures.tsv", "w") as f:
        f.write("file\twidth\theight\tindex\tvalue\tsize_of_terms\n" + "\n".join(rows) + "\n")


def times():
    """A header's time in its own scale, as UTC (ERFA through astropy)."""
    rows = []
    for scale in ["utc", "tai", "tt", "gps"]:
        for mjd in np.sort(rng.uniform(41700, 64000, 40)):  # 1973 to 2034
            utc = Time(round(mjd, 6), format="mjd", scale="utc", precision=6)
            there = utc.tai if scale == "gps" else getattr(utc, scale)
            text = (there - 19 / 86400 if scale == "gps" else there).isot
            rows.append(f"{scale.upper()}\t{text}\t{utc.isot}")
    for row in erfa.leap_seconds.get():  # a minute before and after each leap second
        if row["year"] > 1972:
            day = Time(f"{row['year']}-{row['month']:02d}-01T00:00:00", scale="utc", precision=6)
            for utc in (day - 60 / 86400, day + 60 / 86400):
                rows.append(f"TAI\t{utc.tai.isot}\t{utc.isot}")
    with open("times.tsv", "w") as f:
        f.write("timesys\tdate_obs\tutc\n" + "\n".join(rows) + "\n")


def directions():
    """Where a pixel points, by wcslib."""
    rows = []
    for i in range(60):
        size = 10 ** rng.uniform(-4.5, -1.5)
        turn = rng.uniform(0, 2 * np.pi)
        flip = rng.choice([-1, 1])
        cd = size * np.array([[flip * np.cos(turn), np.sin(turn)], [-flip * np.sin(turn), np.cos(turn)]])
        head = fits.Header()
        head["CTYPE1"], head["CTYPE2"] = "RA---TAN", "DEC--TAN"
        head["CRVAL1"] = round(rng.uniform(0, 360), 6)
        head["CRVAL2"] = round(np.degrees(np.arcsin(rng.uniform(-1, 1))), 6)
        head["CRPIX1"], head["CRPIX2"] = round(rng.uniform(-200, 1200), 2), round(rng.uniform(-200, 900), 2)
        way = ["cd", "pc", "rota"][i % 3]
        if way == "cd":
            for a in (1, 2):
                for b in (1, 2):
                    head[f"CD{a}_{b}"] = float(cd[a - 1, b - 1])
        elif way == "pc":
            head["CDELT1"], head["CDELT2"] = -size, size
            pc = cd / np.array([[-size], [size]])
            for a in (1, 2):
                for b in (1, 2):
                    head[f"PC{a}_{b}"] = float(pc[a - 1, b - 1])
        else:
            head["CDELT1"], head["CDELT2"], head["CROTA2"] = -size, size, round(np.degrees(turn), 4)
        w, h = 1000, 700
        ra, dec = WCS(head, naxis=2).all_pix2world([[(w + 1) / 2, (h + 1) / 2]], 1)[0]
        text = ";".join(f"{k}={v!r}" for k, v in head.items()).replace("np.float64(", "").replace(")", "")
        rows.append(f"{text}\t{w}\t{h}\t{float(ra)!r}\t{float(dec)!r}\t{size!r}".replace("np.float64(", "").replace(")", ""))
    with open("directions.tsv", "w") as f:
        f.write("cards\twidth\theight\tra_deg\tdec_deg\tdeg_per_pixel\n" + "\n".join(rows) + "\n")


pixels()
structures()
times()
directions()
