"""Reads the files of `cargo run -p stillair-write --example samples -- FOLDER` with other people's libraries.

Usage: python check_files.py FOLDER   (needs numpy, astropy, tifffile, pillow, opencv; ffprobe for clips)
"""

import shutil
import subprocess
import sys
import warnings
from pathlib import Path

import cv2
import numpy as np
import tifffile
from astropy.io import fits
from PIL import Image

folder = Path(sys.argv[1])
warnings.simplefilter("error")


def ramp(channels):
    """The picture that the example writes: rows, columns, channels."""
    count = 130 * 70 * channels
    values = (np.arange(count) % 977).astype(np.float32) / np.float32(880) - np.float32(0.05)
    values[1], values[2] = np.nan, np.inf
    planes = values.reshape(channels, 70, 130)
    return planes[0] if channels == 1 else np.moveaxis(planes, 0, -1)


def check(what, good):
    print(("ok    " if good else "FAILED ") + what)
    if not good:
        sys.exit(1)


for channels in (1, 3):
    wanted = ramp(channels)
    light = np.where(np.isfinite(wanted), np.clip(wanted, 0, 1), 0).astype(float)
    # IEC 61966-2-1.
    srgb = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055)

    with tifffile.TiffFile(folder / f"{channels}-float.tif") as file:
        page = file.pages[0]
        check(f"tifffile: float, {channels} channels", np.array_equal(page.asarray(), wanted, equal_nan=True))
        check("tifffile: provenance", "first light" in page.description)
    whole = tifffile.imread(folder / f"{channels}-whole.tif")
    check("tifffile: 16 bits", np.abs(whole - light * 65535).max() <= 0.51)

    for name, values in (("srgb", srgb), ("linear", light)):
        found = cv2.imread(str(folder / f"{channels}-{name}.png"), cv2.IMREAD_UNCHANGED)
        found = found[..., ::-1] if channels == 3 else found
        check(f"OpenCV: {name} PNG", found.dtype == np.uint16 and np.abs(found - values * 65535).max() <= 0.51)
    with Image.open(folder / f"{channels}-srgb.png") as picture:
        picture.load()
        check("Pillow: PNG text", "first light, é" in picture.info["Description"])

    found = cv2.imread(str(folder / f"{channels}-picture.jpg"), cv2.IMREAD_UNCHANGED)
    found = found[..., ::-1] if channels == 3 else found
    check("OpenCV: JPEG", np.abs(found - srgb * 255).mean() < 1)
    with Image.open(folder / f"{channels}-picture.jpg") as picture:
        check("Pillow: JPEG comment", b"first light" in picture.info["comment"])

    with fits.open(folder / f"{channels}-float.fits") as file:
        file.verify("exception")
        data, header = file[0].data, file[0].header
        planes = wanted if channels == 1 else np.moveaxis(wanted, -1, 0)
        check("astropy: FITS data", np.array_equal(data, planes, equal_nan=True))
        check("astropy: FITS header", header["EXPTIME"] == 12.5 and header["CRPIX1"] == 11.5)
        check("astropy: FITS provenance", "first light" in header["PROVENAN"] and "longer than one" in str(header["HISTORY"]))
    with fits.open(folder / "long.fits") as file:
        file.verify("exception")
        check("astropy: long provenance", file[0].header["PROVENAN"] == ("it's a long line, " * 99).rstrip())

if shutil.which("ffprobe"):
    for name, pixels in (("mono8.ser", "gray"), ("mosaic16.ser", "bayer_grbg16le"), ("rgb8.ser", "rgb24")):
        command = ["ffprobe", "-v", "error", "-count_frames", "-show_entries"]
        command += ["stream=width,height,pix_fmt,nb_read_frames", "-of", "csv=p=0", str(folder / name)]
        said = subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()
        check(f"ffprobe: {name}: {said}", said == f"10,8,{pixels},3")
