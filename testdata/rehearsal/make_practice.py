"""Star places in practice frames, for the tests of mountmodel/rehearsal.

The practice frames show the Tycho-2 sky through ERFA's atco13 and were drawn by code that
shares nothing with this project; each set has a truth.json. This script measures bright, lone,
unsaturated stars in some of them with SEP's windowed centroids and writes

    practice_frames.tsv   what truth.json says of each frame
    practice_stars.tsv    where the stars are: column and row from 0 at the middle of the first
                          pixel, and their signal-to-noise ratio

Call: /usr/bin/python3 make_practice.py FOLDER_OF_PRACTICE_FRAMES  (python3-sep, python3-astropy)
"""

import json
import pathlib
import sys

import numpy as np
import sep
from astropy.io import fits

SETS = {
    "axis_000": [0, 1, 2],  # north, mirrored
    "axis_002": [0, 1, 2],  # south
    "adjust_000": [3, 4, 5, 6, 7],  # bolts turned between frames, drive running
    "solve_000": [0],  # south, far from the pole
    "solve_001": [0],  # north, far from the pole
}
MOST = 40  # stars of a frame
LEAST_SNR = 15  # against the background's noise, in an aperture of 4 pixels
LONE_PX = 9  # no other detection nearer
SATURATED = 45000
HOT_SIGMA = 8  # a pixel that stands out so far from the eight around it is hot ...
HOT_SHARE = 0.6  # ... when it has so much of the light in the nine

here = pathlib.Path(__file__).parent
practice = pathlib.Path(sys.argv[1])

FRAME_COLUMNS = ["frame", "width", "height", "lat_deg", "lon_deg", "elevation_m", "pressure_hpa",
                 "temperature_c", "start_utc", "exposure_s", "scale_arcsec_px", "mirrored",
                 "boresight_alt_deg", "boresight_az_deg", "axis_alt_deg", "axis_az_deg", "theta_deg",
                 "ra_deg", "dec_deg"]


def without_hot(data, rms):
    """Hot pixels replaced by the median of the eight around them."""
    shifts = [(dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if (dy, dx) != (0, 0)]
    around = np.stack([np.roll(data, s, (0, 1)) for s in shifts])
    nine = data + around.sum(0)
    hot = (data - np.median(around, 0) > HOT_SIGMA * rms) & (data > HOT_SHARE * nine)
    return np.where(hot, np.median(around, 0), data).astype(np.float32)


def stars(pixels):
    data = pixels.astype(np.float32)
    background = sep.Background(data)
    rms = background.globalrms
    data = without_hot(data - background.back(), rms)
    found = sep.extract(data, 3, err=rms)
    radius, _ = sep.flux_radius(data, found["x"], found["y"], np.full(len(found), 8.0), 0.5, subpix=5)
    x, y, flag = sep.winpos(data, found["x"], found["y"], 2 / 2.35 * radius)
    flux, error, _ = sep.sum_circle(data, x, y, 4.0, err=rms)
    rows = []
    for i in np.argsort(-flux):
        gap = np.hypot(found["x"] - found["x"][i], found["y"] - found["y"][i])
        gap[i] = np.inf
        inside = 15 < x[i] < data.shape[1] - 15 and 15 < y[i] < data.shape[0] - 15
        if (flag[i] == 0 and inside and gap.min() > LONE_PX and flux[i] > LEAST_SNR * error[i]
                and pixels[int(round(y[i])), int(round(x[i]))] < SATURATED):
            rows.append((x[i], y[i], flux[i] / error[i]))
    return rows[:MOST]


with open(here / "practice_frames.tsv", "w") as frames, open(here / "practice_stars.tsv", "w") as places:
    print(*FRAME_COLUMNS, sep="\t", file=frames)
    print("frame", "x_px", "y_px", "snr", sep="\t", file=places)
    for name, numbers in SETS.items():
        truth = json.loads((practice / name / "truth.json").read_text())
        site = truth["site"]
        if isinstance(site, dict):
            site = [site[k] for k in ("lat", "lon", "elev", "hpa", "temp")]
        for n in numbers:
            f = truth["frames"][n]
            with fits.open(practice / name / f["file"]) as hdus:
                header, pixels = hdus[0].header, hdus[0].data
                frame = f"{name}/{f['file']}"
                print(frame, pixels.shape[1], pixels.shape[0], *site, header["DATE-OBS"], header["EXPTIME"],
                      truth["scale_arcsec_px"], int(truth["mirror"]), f["boresight_alt"], f["boresight_az"],
                      f.get("axis_alt_deg", "-"), f.get("axis_az_deg", "-"), f.get("theta_deg", "-"),
                      f["ra_deg"], f["dec_deg"], sep="\t", file=frames)
                for x, y, snr in stars(pixels):
                    print(frame, f"{x:.4f}", f"{y:.4f}", f"{snr:.0f}", sep="\t", file=places)
