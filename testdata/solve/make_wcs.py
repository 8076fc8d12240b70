"""Places through the gnomonic projection, for the tests of solve's camera.

astropy.wcs (wcslib) draws random cameras - the whole sky, any rotation, mirrored or not, fields from half
a degree to 60 degrees - and says which ICRS place each of some pixels shows and what the position
angle of growing rows is at the image's centre. Writes

    tan.tsv   one pixel a row: the camera (reference pixel, reference place, CD matrix), the pixel
              counted from 0 and its place; pa_deg is the position angle of the direction in which rows
              grow, at the reference pixel, from north through east, towards the
              place half a pixel further (astropy.coordinates).

Call: /usr/bin/python3 make_wcs.py   (python3-astropy)
"""

import pathlib

import numpy as np
from astropy import units
from astropy.coordinates import SkyCoord
from astropy.wcs import WCS

SEED = 20260711
CAMERAS = 40
PIXELS = 5

rng = np.random.default_rng(SEED)
here = pathlib.Path(__file__).parent
columns = ["camera", "width", "height", "crpix1", "crpix2", "crval1_deg", "crval2_deg", "cd11", "cd12", "cd21", "cd22",
           "mirrored", "x", "y", "ra_deg", "dec_deg", "pa_deg"]

with open(here / "tan.tsv", "w") as out:
    print("\t".join(columns), file=out)
    for camera in range(CAMERAS):
        width, height = int(rng.integers(400, 6000)), int(rng.integers(400, 4000))
        field = np.exp(rng.uniform(np.log(0.5), np.log(60)))
        scale = np.degrees(2 * np.tan(np.radians(field / 2)) / max(width, height))
        ra = rng.uniform(0, 360)
        dec = np.degrees(np.arcsin(rng.uniform(-1, 1)))
        if camera % 8 == 0:
            dec = np.sign(dec) * (90 - 10 ** rng.uniform(-3, 0))  # close to a pole
        turn = rng.uniform(0, 2 * np.pi)
        mirrored = camera % 2
        # Intermediate world coordinates have x towards east; seen from inside, with rows growing
        # upwards, east is left of north, so an image that is not mirrored has a negative determinant.
        flip = 1 if mirrored else -1
        cd = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ np.diag([flip, 1])
        w = WCS(naxis=2)
        w.wcs.ctype = ["RA---TAN", "DEC--TAN"]
        w.wcs.cunit = ["deg", "deg"]
        w.wcs.crpix = [(width + 1) / 2, (height + 1) / 2]
        w.wcs.crval = [ra, dec]
        w.wcs.cd = cd
        cx, cy = (width - 1) / 2, (height - 1) / 2
        centre = SkyCoord(*w.wcs_pix2world(cx, cy, 0), unit="deg")
        above = SkyCoord(*w.wcs_pix2world(cx, cy + 0.5, 0), unit="deg")
        pa = centre.position_angle(above).to(units.deg).value
        xs = np.append(rng.uniform(-0.5, width - 0.5, PIXELS - 1), cx)
        ys = np.append(rng.uniform(-0.5, height - 0.5, PIXELS - 1), cy)
        for x, y in zip(xs, ys):
            a, d = w.wcs_pix2world(x, y, 0)
            print(camera, width, height, w.wcs.crpix[0], w.wcs.crpix[1], repr(float(ra)), repr(float(dec)),
                  *(repr(float(v)) for v in cd.flat), mirrored, repr(float(x)), repr(float(y)), repr(float(a)),
                  repr(float(d)), repr(float(pa)), sep="\t", file=out)
