#!/usr/bin/env python3
"""Writes compressed images and what CFITSIO unfolds them to.

fpack (Debian libcfitsio-bin 4.2.0) compresses a matrix of pixel types,
algorithms, shapes, tilings and kinds of dithering; what fpack does not write is
laid out by hand from the FITS Standard 4.0, section 10. funpack unfolds all of
them, and compressed.tsv holds the SHA-256 of its data units: big-endian stored
numbers, each NaN as the quiet one without payload. Where astropy 5.2 unfolds to
something else, the script stops.

compressed.zip holds the files. Run without arguments in this folder; it gives
the same bytes every time.
"""

import gzip
import hashlib
import io
import os
import struct
import subprocess
import tempfile
import warnings
import zipfile

import numpy as np
from astropy.io import fits

warnings.simplefilter("ignore")
rng = np.random.default_rng(20260308)
BLOCK = 2880
files, rows = {}, []


def canonical(a):
    """Big-endian bytes, with one kind of NaN."""
    a = np.array(a)
    if a.dtype.kind == "f":
        a[np.isnan(a)] = np.nan
    return a.astype(a.dtype.newbyteorder(">")).tobytes()


def note(name, data, source, a):
    files[name] = data
    shape = "x".join(str(n) for n in reversed(a.shape))
    bitpix = a.dtype.itemsize * (8 if a.dtype.kind in "iu" else -8)
    rows.append(f"{name}\t{bitpix}\t{shape}\t{hashlib.sha256(canonical(a)).hexdigest()}\t{source}")


def funpacked(data):
    """The stored numbers that CFITSIO unfolds to."""
    with tempfile.TemporaryDirectory() as folder:
        small, plain = os.path.join(folder, "a.fits.fz"), os.path.join(folder, "a.fits")
        with open(small, "wb") as f:
            f.write(data)
        subprocess.run(["funpack", "-C", "-O", plain, small], check=True, stdout=subprocess.DEVNULL)
        with fits.open(plain, do_not_scale_image_data=True, memmap=False) as f:
            return next(np.array(u.data) for u in f if u.data is not None)


def check(name, data, astropy=True):
    a = funpacked(data)
    if astropy:
        with fits.open(io.BytesIO(data), do_not_scale_image_data=True) as f:
            seen = next(np.asarray(u.data) for u in f if isinstance(u, fits.CompImageHDU))
            # astropy 5.2 does not look for ZBLANK.
            assert np.array_equal(seen[~np.isnan(a)], a[~np.isnan(a)]), name
    note(name, data, "funpack", a)


def packed(a, flags, cards=()):
    with tempfile.TemporaryDirectory() as folder:
        plain, small = os.path.join(folder, "a.fits"), os.path.join(folder, "a.fits.fz")
        u = fits.PrimaryHDU(a)
        u.header["DATE-OBS"] = "2026-03-08T01:02:03"
        for k, v in cards:
            u.header[k] = v
        u.writeto(plain)
        subprocess.run(["fpack", "-C", *flags.split(), "-O", small, plain], check=True, stdout=subprocess.DEVNULL)
        with open(small, "rb") as f:
            data = f.read()
    assert b"ZCMPTYPE" in data
    return data


def fpack(name, a, flags, cards=()):
    check(name, packed(a, flags, cards))


def whole(kind, shape, calm=False):
    """Sky noise with stars, a row without change, a row of extremes unless calm."""
    kind = np.dtype(kind)
    a = rng.normal({1: 90, 2: 1200, 4: 70000}[kind.itemsize], {1: 5, 2: 12, 4: 900}[kind.itemsize], shape)
    flat = a.reshape(-1, shape[-1])
    for _ in range(max(1, a.size // 200)):
        flat[rng.integers(flat.shape[0]), rng.integers(flat.shape[1])] += {1: 100, 2: 9000, 4: 3e6}[kind.itemsize]
    flat[1 % len(flat)] = 77
    info = np.iinfo(kind)
    if calm:
        flat[2 % len(flat), ::9] = info.max >> 1
    elif kind.itemsize < 4:
        flat[2 % len(flat)] = rng.integers(info.min, info.max, shape[-1], endpoint=True)
    else:
        flat[2 % len(flat)] = rng.integers(info.min, info.max, shape[-1])
    return np.clip(np.rint(a), info.min, info.max).astype(kind)


SHAPES = [  # rows last but one, columns last; tiles as fpack takes them
    ((5, 7), ""),
    ((48, 64), ""),
    ((33, 101), "-t 19,7"),
    ((33, 101), "-w"),
    ((3, 12, 20), "-t 9,7,2"),
]
for kind in ["u1", "i2", "i4"]:
    for algorithm in ["r", "g1", "g2", "h"]:
        for i, (shape, tiling) in enumerate(SHAPES):
            if algorithm == "h" and len(shape) == 3:  # CFITSIO has it in two axes
                tiling = "-t 20,6,1"
            if algorithm == "h" and i == 0:  # too few for its head
                shape = (11, 21)
            cards = [("BZERO", 32768), ("BSCALE", 1)] if kind == "i2" and i == 1 else []
            # HCOMPRESS cannot code what its transform makes larger than 32 bits.
            a = whole(kind, shape, calm=algorithm == "h")
            if kind == "i4" and algorithm == "h":
                a //= 64
            fpack(f"{kind}_{algorithm}_{i}.fits.fz", a, f"-{algorithm} {tiling}", cards)
fpack("interleaved.fits.fz", whole("i2", (12, 20, 3)), "-r")
fpack("blank.fits.fz", whole("i2", (12, 20)), "-r", [("BLANK", 77)])
for scale in [1, 3, -20]:
    fpack(f"lossy_{scale}.fits.fz", whole("i2", (40, 50), calm=True), f"-h -s {scale}")
    fpack(f"lossy32_{scale}.fits.fz", whole("i4", (40, 50), calm=True) // 64, f"-h -s {scale}")


def real(kind, shape, undefined=True):
    a = rng.normal(1000, 20, shape)
    flat = a.reshape(-1, shape[-1])
    if undefined:
        flat[1, 2:5] = np.nan
    flat[3, ::3] = 0
    flat[4] = 5.25  # no noise: not quantised
    return a.astype(kind)


# CFITSIO 4.2.0 gives wrong pixels, even of lossless files, where a tile that is
# not as wide as the image holds NaN, so those files hold none.
REAL = [((9, 23), ""), ((40, 350), "-w"), ((33, 50), "-t 13,5"), ((3, 8, 30), "-t 9,7,2")]
for kind in ["f4", "f8"]:
    for algorithm in ["r", "g1", "g2", "h"]:
        for method, flag in [("no", "-q0 4"), ("1", "-q17 4"), ("2", "-qz9999 4")]:
            for i, (shape, tiling) in enumerate(REAL):
                if algorithm == "h":
                    tiling = {1: "-w", 3: "-t 30,8,1"}.get(i, "")
                fpack(f"{kind}_{algorithm}_{method}_{i}.fits.fz", real(kind, shape, "," not in tiling or algorithm == "h"), f"-{algorithm} {flag} {tiling}")
    for algorithm in ["g1", "g2"]:
        for i, (shape, tiling) in enumerate(REAL):
            fpack(f"{kind}_{algorithm}_lossless_{i}.fits.fz", real(kind, shape, "," not in tiling), f"-{algorithm} -q 0 {tiling}")
# More pixels in a tile than random numbers in the sequence, and more tiles.
fpack("dither_long.fits.fz", real("f4", (101, 103)), "-r -q10000 4 -w")
fpack("dither_rows.fits.fz", real("f4", (30, 40)), "-r -q9990 4")


# By hand.
def card(key, value):
    return fits.Card(key, value).image.ljust(80)


def table(tiles, columns, cards, gap=0, wide=False, theap=None):
    """A compressed image: for each tile the cells of its row, bytes for the heap
    or numbers; columns are (name, form), with V for a pointer."""
    heap, body, width = b"", b"", 0
    for cells in tiles:
        row = b""
        for (_, form), cell in zip(columns, cells):
            if form[0] == "V":
                count = len(cell) // {"B": 1, "I": 2, "J": 4, "E": 4}[form[1]]
                row += struct.pack(">qq" if wide else ">ii", count, len(heap))
                heap += cell
            else:
                row += struct.pack({"1D": ">d", "1E": ">f", "1J": ">i", "3A": "3s"}[form], cell)
        body += row
        width = len(row)
    head = [card("XTENSION", "BINTABLE"), card("BITPIX", 8), card("NAXIS", 2), card("NAXIS1", width), card("NAXIS2", len(tiles))]
    head += [card("PCOUNT", gap + len(heap)), card("GCOUNT", 1), card("TFIELDS", len(columns))]
    for i, (name, form) in enumerate(columns):
        head += [card(f"TTYPE{i + 1}", name)]
        head += [card(f"TFORM{i + 1}", f"1{'Q' if wide else 'P'}{form[1]}({1})" if form[0] == "V" else form)]
    if gap:
        head += [card("THEAP", width * len(tiles) + gap)]
    head += [card("ZIMAGE", True)] + [card(k, v) for k, v in cards]
    text = ("".join(head) + "END".ljust(80)).encode("ascii")
    text += b" " * (-len(text) % BLOCK)
    raw = body + b"\xaa" * gap + heap
    empty = fits.PrimaryHDU()
    start = io.BytesIO()
    empty.writeto(start)
    return start.getvalue() + text + raw + b"\0" * (-len(raw) % BLOCK)


def shape(a, tiles=True):
    """The image's layout, tiles being rows."""
    bitpix = a.dtype.itemsize * (8 if a.dtype.kind in "iu" else -8)
    cards = [("ZBITPIX", bitpix), ("ZNAXIS", a.ndim)]
    cards += [(f"ZNAXIS{i + 1}", n) for i, n in enumerate(reversed(a.shape))]
    return cards + [("ZTILE1", a.shape[-1]), *((f"ZTILE{i}", 1) for i in range(2, a.ndim + 1))] * tiles


def rice(values, bytepix, block):
    """Rice coding, the split of each block chosen for the fewest bits."""
    split_bits, raw, width = {1: (3, 6, 8), 2: (4, 14, 16), 4: (5, 25, 32)}[bytepix]
    mask = (1 << width) - 1
    values = [int(v) & mask for v in values]
    bits, last = "", values[0]
    for i in range(0, len(values), block):
        mapped = []
        for v in values[i : i + block]:
            d = (v - last) & mask
            d -= (d >> (width - 1)) << width
            mapped.append((2 * d if d >= 0 else -2 * d - 1) & mask)
            last = v
        cost = {f: sum((m >> f) + 1 + f for m in mapped) for f in range(raw)}
        cost[raw] = width * len(mapped)
        best = -1 if not any(mapped) else min(cost, key=cost.get)
        bits += format(best + 1, f"0{split_bits}b")
        for m in mapped if best >= 0 else []:
            bits += format(m, f"0{width}b") if best == raw else "0" * (m >> best) + "1" + (format(m & ((1 << best) - 1), f"0{best}b") if best else "")
    bits += "0" * (-len(bits) % 8)
    return values[0].to_bytes(bytepix, "big") + int(bits, 2).to_bytes(len(bits) // 8, "big")


def lines(a):
    return a.reshape(-1, a.shape[-1])


def big(a):
    return a.astype(a.dtype.newbyteorder(">")).tobytes()


def by_hand(name, data, a):
    """What neither CFITSIO nor astropy reads: the numbers that went in."""
    note(name, data, "by hand", a)


DATA = [("COMPRESSED_DATA", "VB")]
for bytepix, kind in [(1, "u1"), (2, "i2"), (4, "i2"), (4, "i4")]:
    for block in [16, 32]:
        a = whole(kind, (6, 75))
        parameters = [("ZCMPTYPE", "RICE_1"), ("ZNAME1", "BLOCKSIZE"), ("ZVAL1", block), ("ZNAME2", "BYTEPIX"), ("ZVAL2", bytepix)]
        data = table([[rice(line, bytepix, block)] for line in lines(a)], DATA, shape(a) + parameters)
        assert np.array_equal(funpacked(data), a)
        check(f"rice_{kind}_{bytepix}_{block}.fits.fz", data)
a = whole("i2", (6, 75))
early = [("ZCMPTYPE", "RICE_ONE"), ("ZNAME1", "BLOCKSIZE"), ("ZVAL1", 32)]
check("rice_early.fits.fz", table([[rice(line, 4, 32)] for line in lines(a)], DATA, shape(a) + early))
zipped = lambda a: gzip.compress(big(a), mtime=0)
a = whole("i2", (6, 20))
z = [("ZCMPTYPE", "GZIP_1")]
# astropy 5.2 divides by the tile's size before it knows it.
check("rows_by_default.fits.fz", table([[zipped(line)] for line in lines(a)], DATA, shape(a, tiles=False) + z), astropy=False)
check("pointers_of_64_bits.fits.fz", table([[zipped(line)] for line in lines(a)], DATA, shape(a) + z, wide=True))
check("heap_behind_gap.fits.fz", table([[zipped(line)] for line in lines(a)], DATA, shape(a) + z, gap=1000))
check("other_columns.fits.fz", table([[b"abc", zipped(line), 1.5] for line in lines(a)], [("NOTE", "3A"), *DATA, ("WEIGHT", "1D")], shape(a) + z), astropy=False)
# Whole numbers written in more bytes than they need.
check("wide_numbers.fits.fz", table([[zipped(line.astype("i4"))] for line in lines(a)], DATA, shape(a) + z), astropy=False)
a = real("f4", (6, 20))
q = [("ZCMPTYPE", "RICE_1"), ("ZNAME1", "BLOCKSIZE"), ("ZVAL1", 32), ("ZNAME2", "BYTEPIX"), ("ZVAL2", 4), ("ZQUANTIZ", "NO_DITHER")]
numbers = np.where(np.isnan(a), -99999, np.rint((np.nan_to_num(a) - 3.5) / 0.37)).astype("i4")
some = [("COMPRESSED_DATA", "VB"), ("UNCOMPRESSED_DATA", "VE"), ("ZSCALE", "1D"), ("ZZERO", "1D"), ("ZBLANK", "1J")]
tiles = [[b"", big(line), 0.0, 0.0, 0] if i % 2 else [rice(n, 4, 32), b"", 0.37, 3.5, -99999] for i, (line, n) in enumerate(zip(lines(a), lines(numbers)))]
check("uncompressed_tiles.fits.fz", table(tiles, some, shape(a) + q), astropy=False)
some[1] = ("GZIP_COMPRESSED_DATA", "VB")
tiles = [[c[0], gzip.compress(c[1], mtime=0) if c[1] else b"", *c[2:]] for c in tiles]
check("gzipped_tiles.fits.fz", table(tiles, some, shape(a) + q))
scaled = np.where(numbers == -99999, np.nan, numbers * 0.37 + 3.5).astype("f4")
constant = [("ZSCALE", 0.37), ("ZZERO", 3.5), ("ZBLANK", -99999)]
by_hand("scale_for_all.fits.fz", table([[rice(n, 4, 32)] for n in lines(numbers)], DATA, shape(a) + q + constant), scaled)
for kind in ["u1", "i2", "i4", "i8", "f4", "f8"]:
    a = (real if kind[0] == "f" else lambda k, s: whole("i4", s).astype(k))(kind, (6, 10))
    by_hand(f"nocompress_{kind}.fits.fz", table([[big(line)] for line in lines(a)], DATA, shape(a) + [("ZCMPTYPE", "NOCOMPRESS")]), a)
a = rng.integers(-(1 << 63), (1 << 63) - 1, (6, 10))
by_hand("gzip_i8.fits.fz", table([[zipped(line)] for line in lines(a)], DATA, shape(a) + z), a)
shuffled = [[gzip.compress(np.frombuffer(big(line), "u1").reshape(-1, 8).T.tobytes(), mtime=0)] for line in lines(a)]
by_hand("gzip2_i8.fits.fz", table(shuffled, DATA, shape(a) + [("ZCMPTYPE", "GZIP_2")]), a)
# Smoothing, which fpack has no flag for.
for kind in ["i2", "i4"]:
    a = np.rint(1000 + 900 * np.sin(np.arange(40)[:, None] / 5) * np.cos(np.arange(51) / 7) + rng.normal(0, 9, (40, 51))).astype(kind)
    rough = packed(a, "-h -s -20 -w")
    flag = b"ZVAL2   =                    "
    assert rough.count(flag + b"0") == 1
    smooth = rough.replace(flag + b"0", flag + b"1")
    assert not np.array_equal(funpacked(rough), funpacked(smooth))
    check(f"smooth_{kind}.fits.fz", smooth)

with zipfile.ZipFile("compressed.zip", "w", zipfile.ZIP_DEFLATED, compresslevel=9) as z:
    for name, data in files.items():
        z.writestr(zipfile.ZipInfo(name, (2026, 3, 8, 0, 0, 0)), data, zipfile.ZIP_DEFLATED)
with open("compressed.tsv", "w") as f:
    f.write("file\tbitpix\taxes\tsha256_of_stored_numbers\tsource\n" + "\n".join(rows) + "\n")
