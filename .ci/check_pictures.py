"""Reads what runs wrote with other people's libraries: Pillow, tifffile, astropy, and ffprobe where it is installed.

Usage: python check_pictures.py RUN [FORMATS]

RUN is the folder of a run of planet-colour on the demo's clip, FORMATS one of examples/all-formats.toml on it.
"""
import csv
import json
import pathlib
import shutil
import subprocess
import sys
import warnings

import numpy
import tifffile
from astropy.io import fits
from astropy.time import Time
from PIL import Image

# FITS Standard 4.0, 9.5: the beginning, the middle and the end of what is in the picture.
DATES = ["DATE-OBS", "DATE-BEG", "DATE-AVG", "DATE-END"]

warnings.simplefilter("error")
# The demo's night is to come: nobody knows its leap seconds.
warnings.filterwarnings("ignore", message=".*dubious year")


def record_of(run):
    record = json.loads((run / "run.json").read_text())
    assert record["status"] == "done", record["status"]
    return record


def floats(path):
    """The samples of a float TIFF that carries its provenance."""
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        data = page.asarray()
        assert data.dtype == numpy.float32, data.dtype
        assert numpy.isfinite(data).all()
        assert "recipe_blake3" in page.description, "the TIFF carries its provenance"
        return data


def check_main(run):
    record_of(run)
    with Image.open(run / "results/picture.png") as picture:
        picture.load()
        width, height = picture.size
        text = " ".join(str(value) for value in picture.info.values())
        assert "recipe_blake3" in text, "the PNG carries its provenance"
    for name in ("picture", "stack"):
        data = floats(run / f"results/{name}.tif")
        assert data.shape[:2] == (height, width), (data.shape, width, height)
        assert data.max() > 10 * abs(numpy.median(data[:4])), "the planet stands out of the sky"
    print(f"Pillow and tifffile read {run.name}: {width} x {height}")


def check_fits(path, record, stack):
    """A FITS picture against the TIFF of the same values and the record's facts."""
    facts = {name: fact["value"] for name, fact in record["inputs"][0]["facts"].items()}
    clip = record["inputs"][0]["clip"]
    with fits.open(path, checksum=True) as file:
        file.verify("exception")
        header, data = file[0].header, file[0].data
        planes = stack if stack.ndim == 2 else numpy.moveaxis(stack, -1, 0)
        assert data.dtype == numpy.dtype(">f4") and numpy.array_equal(data, planes), "every value is kept"
        # FITS Standard 4.0, 9.1 and 9.5: an ISO date with its time scale.
        begun = Time(clip["start_unix_ns"] * 1e-9, format="unix", scale="utc")
        times = {key: Time(header[key], format="isot", scale=header["TIMESYS"].lower()) for key in header if key in DATES}
        assert set(times) == set(DATES), times
        after = {key: (time - begun).sec for key, time in times.items()}
        # The stack holds frames from all over the clip: its first is among the clip's first, to a millisecond.
        assert -0.001 < after["DATE-OBS"] == after["DATE-BEG"] < after["DATE-AVG"] < after["DATE-END"] < 3600, after
        assert abs(after["DATE-END"] - after["DATE-BEG"] - header["TELAPSE"]) < 0.002, (after, header["TELAPSE"])
        assert header["XPOSURE"] == header["EXPTIME"] <= header["TELAPSE"]
        exposed = record["frames"]["used"] * facts["camera.exposure_s"]
        assert header["NCOMBINE"] == record["frames"]["used"], header["NCOMBINE"]
        assert abs(header["EXPTIME"] / exposed - 1) < 1e-6, (header["EXPTIME"], exposed)
        # 206264.806 arcsec in a radian.
        scale = facts["camera.pixel_um"] * 1e-3 / facts["telescope.focal_mm"] * 206264.80625
        assert abs(header["PIXSCALE"] / scale - 1) < 1e-6, (header["PIXSCALE"], scale)
        assert [header["CDELT1"], header["CUNIT1"]] == [header["PIXSCALE"], "arcsec"]
        assert json.loads(header["PROVENAN"])["recipe"] == "all-formats"
        steps = " ".join(header["HISTORY"])
        assert all(step in steps for step in ("find.disc", "align.correlate", "stack.mean of")), steps
    print(f"astropy reads {path.name}: {header['DATE-OBS']}, {header['EXPTIME']:.3f} s, {header['PIXSCALE']:.4f} arcsec/px")


def whole_text(path):
    with tifffile.TiffFile(path) as file:
        return file.pages[0].description


def check_formats(run):
    record = record_of(run)
    results = run / "results"
    stack, sharp = floats(results / "stack.tif"), floats(results / "picture.tif")
    assert stack.shape == sharp.shape
    check_fits(results / "stack.fits", record, stack)
    whole = tifffile.imread(results / "picture-whole.tif")
    assert whole.dtype == numpy.uint16 and whole.shape == stack.shape, (whole.dtype, whole.shape)
    light = whole / 65535.0
    # IEC 61966-2-1, to half a step of 8 bits and what a JPEG loses.
    curve = numpy.where(light <= 0.0031308, 12.92 * light, 1.055 * light.clip(0.0031308) ** (1 / 2.4) - 0.055)
    with Image.open(results / "picture.png") as picture:
        assert picture.size == (stack.shape[1], stack.shape[0])
        # Of 16 bits Pillow keeps the upper 8: less than a step of 8 bits, and half a step of the TIFF where the curve is
        # steepest.
        shown = numpy.asarray(picture.convert("RGB"), dtype=float) / 255
        error = numpy.abs(shown - curve.reshape(*curve.shape[:2], -1)).max()
        assert error < 1 / 255 + 12.92 * 0.5 / 65535, "the PNG is the TIFF, on the sRGB curve"
    with Image.open(results / "picture.jpg") as picture:
        assert picture.format == "JPEG" and b"recipe_blake3" in picture.info["comment"]
        shown = numpy.asarray(picture.convert("RGB"), dtype=float) / 255
        assert numpy.abs(shown - curve.reshape(*curve.shape[:2], -1)).mean() < 0.02, "the JPEG shows the same"
    with open(results / "frames.csv", newline="") as file:
        first = next(file)
        assert first.startswith("# {") and "recipe_blake3" in json.loads(first[2:]), "the table carries its provenance"
        rows = list(csv.reader(line for line in file if not line.startswith("#")))
    assert rows[0][:2] == ["index", "time_s"], rows[0]
    assert len(rows) - 1 == record["frames"]["total"], (len(rows), record["frames"]["total"])
    print(f"tifffile, Pillow and csv read {run.name}: {stack.shape}")
    assert json.loads(whole_text(results / "picture-whole.tif"))["recipe"] == "all-formats"
    check_clip(results / "steadied.ser", record, json.loads(first[2:])["recipe_blake3"])


def check_clip(path, record, recipe):
    # Offsets of the published layout: three texts of 40 bytes from 42 on.
    maker = path.read_bytes()[42:82].rstrip(b"\0").decode()
    assert maker.startswith("Stillair ") and recipe.startswith(maker.split(" recipe ")[1]), maker
    if not shutil.which("ffprobe"):
        print(f"ffprobe is not installed: {path.name} was not checked")
        return
    command = ["ffprobe", "-v", "error", "-count_frames", "-show_entries"]
    command += ["stream=codec_name,width,height,nb_read_frames", "-of", "json", str(path)]
    said = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)["streams"][0]
    assert int(said["nb_read_frames"]) == record["frames"]["used"], said
    assert said["codec_name"] == "rawvideo" and said["width"] <= 128, said
    print(f"ffprobe reads {path.name}: {said['nb_read_frames']} frames of {said['width']} x {said['height']}")


check_main(pathlib.Path(sys.argv[1]))
if len(sys.argv) > 2:
    check_formats(pathlib.Path(sys.argv[2]))
