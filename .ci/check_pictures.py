"""Reads a run's pictures with general-purpose libraries: Pillow and tifffile."""
import json
import pathlib
import sys

import numpy
import tifffile
from PIL import Image

run = pathlib.Path(sys.argv[1])
record = json.loads((run / "run.json").read_text())
assert record["status"] == "done", record["status"]
with Image.open(run / "results/picture.png") as picture:
    picture.load()
    width, height = picture.size
    text = " ".join(str(value) for value in picture.info.values())
    assert "recipe_blake3" in text, "the PNG carries its provenance"
for name in ("picture", "stack"):
    with tifffile.TiffFile(run / f"results/{name}.tif") as file:
        page = file.pages[0]
        data = page.asarray()
        assert data.dtype == numpy.float32, data.dtype
        assert data.shape[:2] == (height, width), (data.shape, width, height)
        assert numpy.isfinite(data).all()
        assert data.max() > 10 * abs(numpy.median(data[:4])), "the planet stands out of the sky"
        assert "recipe_blake3" in page.description, "the TIFF carries its provenance"
print(f"2 libraries read {run.name}: {width} x {height}")
